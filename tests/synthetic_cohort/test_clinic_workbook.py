"""The demo as a clinic's workbook comes back through the import as what was written."""

import pandas as pd

from outcomes import score
from outcomes.importing import propose
from synthetic_cohort import make_cohort
from synthetic_cohort.clinic_workbook import write_clinic_workbook


def test_the_workbook_holds_the_scores_of_the_cohort(tmp_path):
    cohort = make_cohort("demo", seed=2)
    path = write_clinic_workbook(cohort, tmp_path / "clinic.xlsx")
    written = pd.read_excel(path, sheet_name="Outcomes").set_index("Patient ID")
    scores = score(cohort.study)
    motor = scores[(scores["outcome"] == "fma_ue.motor") & (scores["visit"] == "baseline")].set_index("participant")
    for person, value in motor["value"].dropna().items():
        assert written.loc[person, "FMA-UE pre"] == round(value)


def test_the_import_reads_it_back(tmp_path):
    cohort = make_cohort("demo", seed=2)
    path = write_clinic_workbook(cohort, tmp_path / "clinic.xlsx")
    proposal = propose([path])
    written = pd.read_excel(path, sheet_name="Outcomes").set_index("Patient ID")
    read = [row for row in proposal.done.rows if row.cells["instrument"] == "arat"]
    assert len(read) == written.filter(like="ARAT").drop("Mean").notna().sum().sum()
    for row in read:
        assert float(row.cells["value"]) == written.loc[row.cells["participant"], f"ARAT {row.visit.label}"]
    assert {question.id for question in proposal.open} <= {"absent_visits", "primary_outcome", "reference_arm"}
