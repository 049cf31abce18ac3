"""A small invented study written out in the layouts that clinics use, in several languages and formats.

Everything is made up. The words of the languages are common practice, no source.
"""

import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import pandas as pd


@dataclass(frozen=True)
class Words:
    """Headings and words of one language."""

    participant: str
    arm: str
    sex: str
    age: str
    affected: str
    visit: str
    date: str
    left: str
    right: str
    female: str
    male: str
    grip: str
    bbt: str
    pain: str
    visits: tuple[str, ...]
    mean: str
    refused: str
    missed: str
    comma: bool = False


LANGUAGES = {
    "english": Words(
        "Participant",
        "Group",
        "Sex",
        "Age",
        "Affected side",
        "Visit",
        "Date",
        "left",
        "right",
        "female",
        "male",
        "Grip",
        "Box and Block",
        "Pain NRS",
        ("pre", "post", "follow-up"),
        "Mean",
        "refused",
        "did not attend",
    ),
    "german": Words(
        "Teilnehmer",
        "Gruppe",
        "Geschlecht",
        "Alter (Jahre)",
        "Betroffene Seite",
        "Besuch",
        "Datum",
        "links",
        "rechts",
        "weiblich",
        "männlich",
        "Handkraft",
        "Box and Block",
        "Schmerz (NRS)",
        ("Baseline", "nach 6 Wochen", "nach 3 Monaten"),
        "Mittelwert",
        "verweigert",
        "nicht erschienen",
        comma=True,
    ),
    "french": Words(
        "Sujet",
        "Groupe",
        "Sexe",
        "Âge (ans)",
        "Côté atteint",
        "Visite",
        "Date",
        "gauche",
        "droite",
        "femme",
        "homme",
        "Force de préhension",
        "Boîte et blocs",
        "Douleur (EN)",
        ("inclusion", "semaine 6", "mois 3"),
        "Moyenne",
        "refus",
        "absent",
        comma=True,
    ),
    "spanish": Words(
        "Paciente",
        "Grupo",
        "Sexo",
        "Edad (años)",
        "Lado afectado",
        "Visita",
        "Fecha",
        "izquierda",
        "derecha",
        "mujer",
        "hombre",
        "Fuerza de agarre",
        "Caja y bloques",
        "Dolor",
        ("basal", "semana 6", "semana 12"),
        "Media",
        "rechaza",
        "no acudió",
        comma=True,
    ),
    "italian": Words(
        "Paziente",
        "Gruppo",
        "Sesso",
        "Età (anni)",
        "Lato colpito",
        "Visita",
        "Data",
        "sinistra",
        "destra",
        "femmina",
        "maschio",
        "Forza di presa",
        "Box and Block",
        "Dolore",
        ("T0", "T1", "T2"),
        "Media",
        "rifiutato",
        "assente",
        comma=True,
    ),
    "dutch": Words(
        "Deelnemer",
        "Groep",
        "Geslacht",
        "Leeftijd (jaren)",
        "Aangedane zijde",
        "Bezoek",
        "Datum",
        "links",
        "rechts",
        "vrouw",
        "man",
        "Knijpkracht",
        "Box and Block",
        "Pijn",
        ("voormeting", "nameting", "follow-up"),
        "Gemiddelde",
        "geweigerd",
        "niet verschenen",
    ),
}


@dataclass
class Invented:
    """People and values. values: (participant, visit number, measure, side, trial) -> number as text or a word."""

    words: Words
    people: list[dict[str, str]] = field(default_factory=list)
    values: dict[tuple[str, int, str, str, int], str] = field(default_factory=dict)
    dates: dict[tuple[str, int], date] = field(default_factory=dict)

    @property
    def codes(self) -> list[str]:
        return [person["participant"] for person in self.people]

    def get(self, *key: object) -> str:
        return self.values.get(key, "")  # type: ignore[call-overload]


def invent(seed: int, language: str = "english", people: int = 9, visits: int = 3, prefix: str = "K") -> Invented:
    """An invented study: motor score, blocks of both hands, three grip trials of both hands, pain, eleven answers."""
    rng = random.Random(seed)
    study = Invented(LANGUAGES[language])
    for number in range(1, people + 1):
        code = f"{prefix}{number:02d}"
        side = rng.choice(("left", "right"))
        study.people.append(
            {
                "participant": code,
                "arm": rng.choice(("trained", "usual")),
                "sex": rng.choice(("female", "male")),
                "age": str(rng.randint(30, 80)),
                "affected_side": side,
            }
        )
        start = date(2024, 1, 9) + timedelta(days=rng.randint(0, 60))
        for visit in range(visits):
            study.dates[code, visit] = start + timedelta(days=42 * visit + rng.randint(0, 3))
            study.values[code, visit, "fma", "", 0] = str(rng.randint(10, 60))
            study.values[code, visit, "pain", "", 0] = str(rng.randint(0, 8))
            for hand in ("left", "right"):
                study.values[code, visit, "bbt", hand, 0] = str(rng.randint(5, 70))
                for trial in (1, 2, 3):
                    study.values[code, visit, "grip", hand, trial] = f"{rng.randint(30, 400) / 10:.1f}"
            for item in range(1, 12):
                study.values[code, visit, "dash", "", item] = str(rng.randint(1, 5))
    study.people[0]["arm"], study.people[1]["arm"] = "trained", "usual"
    return study


def expected(study: Invented, visit_ids: list[str]) -> dict[tuple[str, ...], str]:
    """What an import must give: (table, participant, visit, instrument, scale or item, side, trial) -> value."""
    found = {}
    for (code, visit, measure, side, trial), value in study.values.items():
        where = {
            "fma": ("totals", "fma_ue", "motor", "affected", ""),
            "pain": ("totals", "pain_nrs", "rating", "", ""),
            "bbt": ("totals", "bbt", "blocks", side, ""),
            "grip": ("trials", "grip", "", side, str(trial)),
            "dash": ("items", "quickdash", f"q{trial}", "", ""),
        }[measure]
        found[where[0], code, visit_ids[visit], *where[1:]] = f"{float(value):g}"
    return found


def columns(study: Invented, *, dash: bool = True) -> list[tuple[str, str, str, int]]:
    """Heading, measure, side, trial of every measured column, without the visit."""
    w = study.words
    heads = [("FMA-UE", "fma", "", 0), (w.pain, "pain", "", 0)]
    for hand, word in (("left", w.left), ("right", w.right)):
        heads.append((f"{w.bbt} {word}", "bbt", hand, 0))
        heads += [(f"{w.grip} {word} {trial} (kg)", "grip", hand, trial) for trial in (1, 2, 3)]
    return heads + ([(f"QuickDASH {item}", "dash", "", item) for item in range(1, 12)] if dash else [])


def person_cells(study: Invented, person: dict[str, str]) -> list[object]:
    w = study.words
    sides, sexes = {"left": w.left, "right": w.right}, {"female": w.female, "male": w.male}
    return [
        person["participant"],
        person["arm"],
        sexes[person["sex"]],
        int(person["age"]),
        sides[person["affected_side"]],
    ]


def person_heads(study: Invented) -> list[str]:
    w = study.words
    return [w.participant, w.arm, w.sex, w.age, w.affected]


def cell(study: Invented, text: str) -> object:
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        return text
    return (
        text.replace(".", ",") if study.words.comma and "." in text else int(number) if number.is_integer() else number
    )


def day(study: Invented, when: date) -> object:
    return when.strftime("%d.%m.%Y") if study.words.comma else when


def suffixes(study: Invented, path: Path) -> Path:
    """One line a person, the visit at the end of the heading; a row of means and a note below."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Data"
    heads = columns(study)
    visits = [(number, word) for number, word in enumerate(study.words.visits)]
    sheet.append(
        person_heads(study)
        + [f"{study.words.date} {word}" for _, word in visits]
        + [f"{head} {word}" for _, word in visits for head, *_ in heads]
    )
    for person in study.people:
        code = person["participant"]
        row = person_cells(study, person) + [day(study, study.dates[code, n]) for n, _ in visits]
        row += [cell(study, study.get(code, n, *rest)) for n, _ in visits for _, *rest in heads]
        sheet.append(row)
    sheet.append([])
    sheet.append([study.words.mean, None, None, "=AVERAGE(D2:D10)"])
    book.save(path)
    return path


def merged(study: Invented, path: Path) -> Path:
    """Two header rows, the visit merged over its columns."""
    book = openpyxl.Workbook()
    sheet = book.active
    heads = [(study.words.date, "date", "", 0), *columns(study)]
    first = [None] * 5
    second: list[object] = list(person_heads(study))
    for word in study.words.visits:
        first += [word, *[None] * (len(heads) - 1)]
        second += [head for head, *_ in heads]
    sheet.append(first)
    sheet.append(second)
    for number in range(len(study.words.visits)):
        start = 6 + number * len(heads)
        sheet.merge_cells(start_row=1, end_row=1, start_column=start, end_column=start + len(heads) - 1)
    for person in study.people:
        code = person["participant"]
        row = person_cells(study, person)
        for number in range(len(study.words.visits)):
            row += [
                day(study, study.dates[code, number])
                if head[1] == "date"
                else cell(study, study.get(code, number, *head[1:]))
                for head in heads
            ]
        sheet.append(row)
    book.save(path)
    return path


def sheet_per_visit(study: Invented, path: Path) -> Path:
    """A sheet of people, and a sheet a visit."""
    book = openpyxl.Workbook()
    people = book.active
    people.title = study.words.participant
    people.append(person_heads(study))
    for person in study.people:
        people.append(person_cells(study, person))
    heads = columns(study)
    for number, word in enumerate(study.words.visits):
        sheet = book.create_sheet(word)
        sheet.append([study.words.participant, study.words.date, *[head for head, *_ in heads]])
        for code in study.codes:
            row = [code, day(study, study.dates[code, number])]
            sheet.append(row + [cell(study, study.get(code, number, *rest)) for _, *rest in heads])
    book.save(path)
    return path


def sheet_per_instrument(study: Invented, path: Path) -> Path:
    """A sheet of people, and a sheet an instrument with a line a visit."""
    book = openpyxl.Workbook()
    people = book.active
    people.title = study.words.participant
    people.append(person_heads(study))
    for person in study.people:
        people.append(person_cells(study, person))
    groups = {"FMA": ["fma"], "BBT": ["bbt"], "Grip": ["grip"], "Pain": ["pain"], "QuickDASH": ["dash"]}
    for name, measures in groups.items():
        sheet = book.create_sheet(name)
        heads = [head for head in columns(study) if head[1] in measures]
        shown = [str(head[3]) if name == "QuickDASH" else head[0] for head in heads]
        sheet.append([study.words.participant, study.words.visit, study.words.date, *shown])
        for code in study.codes:
            for number, word in enumerate(study.words.visits):
                row = [code, word, day(study, study.dates[code, number])]
                sheet.append(row + [cell(study, study.get(code, number, *rest)) for _, *rest in heads])
    book.save(path)
    return path


def long_visits(study: Invented, path: Path) -> Path:
    """A line per person and visit, people described on every line; as a comma- or semicolon-separated text."""
    heads = columns(study)
    rows = []
    for person in study.people:
        code = person["participant"]
        for number, word in enumerate(study.words.visits):
            rows.append(
                [*person_cells(study, person), word, day(study, study.dates[code, number])]
                + [cell(study, study.get(code, number, *rest)) for _, *rest in heads]
            )
    names = [*person_heads(study), study.words.visit, study.words.date, *[head for head, *_ in heads]]
    frame = pd.DataFrame(rows, columns=names)
    if path.suffix == ".parquet":
        frame.astype("str").to_parquet(path)
    else:
        frame.to_csv(path, index=False, sep=";" if study.words.comma else ",")
    return path


def across(study: Invented, path: Path) -> Path:
    """People across the columns: a line per measure and visit."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([study.words.participant, None, *study.codes])
    for number, head in enumerate(person_heads(study)[1:], 1):
        sheet.append([head, None, *[person_cells(study, person)[number] for person in study.people]])
    for number, word in enumerate(study.words.visits):
        sheet.append([word, study.words.date, *[day(study, study.dates[code, number]) for code in study.codes]])
        for head, *rest in columns(study):
            sheet.append([None, head, *[cell(study, study.get(code, number, *rest)) for code in study.codes]])
    book.save(path)
    return path


def forms(study: Invented, path: Path) -> Path:
    """A sheet a person: label beside value, a table of tests by visits below."""
    book = openpyxl.Workbook()
    book.active.title = "read me"
    book.active["A1"] = "one sheet each"
    for person in study.people:
        code = person["participant"]
        sheet = book.create_sheet(code)
        for head, value in zip(person_heads(study), person_cells(study, person), strict=True):
            sheet.append([head, value])
        sheet.append([])
        sheet.append(["Test", *study.words.visits])
        visits = range(len(study.words.visits))
        sheet.append([study.words.date, *[day(study, study.dates[code, number]) for number in visits]])
        for head, *rest in columns(study):
            sheet.append([head, *[cell(study, study.get(code, number, *rest)) for number in visits]])
    book.save(path)
    return path


LAYOUTS = {
    "suffixes": (suffixes, ".xlsx"),
    "merged": (merged, ".xlsx"),
    "sheet_per_visit": (sheet_per_visit, ".xlsx"),
    "sheet_per_instrument": (sheet_per_instrument, ".xlsx"),
    "long_visits": (long_visits, ".csv"),
    "across": (across, ".xlsx"),
    "forms": (forms, ".xlsx"),
}
