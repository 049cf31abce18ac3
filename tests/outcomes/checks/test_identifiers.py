"""Direct identifiers are found by header in twelve languages and by pattern in cells; what they say is never repeated.

All people, numbers and addresses are invented; numbers lie in ranges kept for examples where there are such.
"""

import pytest

from outcomes import check, read_study
from outcomes.checks.people.identifiers import identifies

HEADERS = (
    "Name", "last_name", "E-Mail", "Date of birth", "MRN", "Geburtsdatum", "Vorname", "Straße", "Prénom",
    "Date de naissance", "N° de sécurité sociale", "Apellidos", "Fecha de nacimiento", "Teléfono", "Cognome",
    "Codice fiscale", "Data di nascita", "Achternaam", "Geboortedatum", "BSN", "Endereço", "Data de nascimento",
    "Personnummer", "Efternamn", "Födelsedatum", "Fødselsdato", "CPR-nummer", "Nazwisko", "PESEL", "Doğum tarihi",
    "Soyadı", "Henkilötunnus", "Sukunimi", "patient_name", "phone 2",
)  # fmt: skip
HARMLESS_HEADERS = (
    "height", "months_since_stroke", "site", "filename of video", "device", "namely", "education_years", "viable",
    "capacity", "administration", "grade", "recap", "adverse", "mailbox_test_no", "radius",
)  # fmt: skip
CELLS = (
    "call anna.example@example.org", "tel. +44 20 7946 0000", "(030) 555 0123-45", "DOB 3/2/1956", "geb. 12.03.1956",
    "née le 12/03/1956", "nato il 12-03-56", "* 12.03.1956", "MRN 0045123", "Fallnummer: 4512398", "record no. 88121",
    "dossier n° 451239", "000-12-3456", "Mr Example came late", "seen by Dr. Invented", "Frau Muster-Beispiel war müde",
    "Mme Exemple", "Sra. Ejemplo", "Mevr. Voorbeeld", "Fru Exempel", "Pani Przykład", "120356-123A", "123.456.789-09",
)  # fmt: skip
HARMLESS_CELLS = (
    "", "stroke", "tired arm", "2025-03-12", "12.03.2025", "P01", "came 10 min late", "moved to week 8",
    "mr scan cancelled", "grip 12.5, 13.0, 12.8 kgf", "dr visit", "Sling removed", "3 x 10 repetitions, 45 min",
    "left MCA infarct 2024", "don", "Frau", "ur ok", "12:30-13:15", "T12-L1", "1234567",
    "14.299999999999999", "-5.800000000000001",
)  # fmt: skip


@pytest.fixture
def draft(make_draft):
    return make_draft(small=True)


def test_headers_in_many_languages(draft, tmp_path):
    for header in (*HEADERS, *HARMLESS_HEADERS):
        draft.tables["participants"][header] = "x"
    found = check(read_study(draft.write(tmp_path))).frame()
    named = set(found.loc[found["rule"] == "header of a direct identifier", "column"])
    assert named == set(HEADERS)


@pytest.mark.parametrize("text", CELLS)
def test_a_cell_that_leads_to_a_person(text):
    assert identifies(text)


@pytest.mark.parametrize("text", HARMLESS_CELLS)
def test_a_cell_that_does_not(text):
    assert not identifies(text)


def test_the_cell_is_named_and_never_repeated(draft, tmp_path):
    draft.set("visits", 3, "reason", "Frau Muster, geb. 12.03.1956")
    draft.set("adverse_events", 2, "term", "rang MRN 0045123")
    findings = check(read_study(draft.write(tmp_path)))
    frame = findings.frame().query("rule == 'cell with a direct identifier'")
    assert set(zip(frame["file"], frame["row"], frame["column"], strict=True)) == {
        ("visits.csv", 3, "reason"), ("adverse_events.csv", 2, "term"),
    }  # fmt: skip
    assert "Muster" not in str(findings)
    assert "0045123" not in str(findings)


def test_dates_of_birth_without_a_word(draft, tmp_path):
    """A column of the study's own with dates decades before the visits; dates of the trial itself are none."""
    draft.tables["participants"]["entered"] = "2025-02-20"
    draft.tables["participants"]["day"] = ["12.03.1956", "1.4.1949", "23.11.1970", "30.1.1961"]
    frame = check(read_study(draft.write(tmp_path))).frame().query("rule == 'cell with a direct identifier'")
    assert set(frame["column"]) == {"day"}
    assert len(frame) == 4
