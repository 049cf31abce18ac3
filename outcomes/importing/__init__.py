"""From a clinic's workbook or an export to a study folder: propose what the files mean, ask, convert, account for "
"every cell."""

from pathlib import Path

from outcomes.importing.command import run_import
from outcomes.importing.proposal import Proposal, propose
from outcomes.importing.writing import write_folder

__all__ = ["Proposal", "convert", "propose", "run_import"]


def convert(proposal: Proposal, to: str | Path) -> Proposal:
    """Writes the study folder of a proposal: what no open question hangs on, and import.toml with the questions.

    Returns the proposal. Raises StudyError where the folder holds something that is no import.
    """
    write_folder(proposal, Path(to))
    return proposal
