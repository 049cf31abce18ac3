"""What an import would write, before it writes it."""

from collections import Counter

from outcomes.importing.proposal import Proposal
from outcomes.importing.writing import TABLES

_FIRST_ROWS = 3


def preview(proposal: Proposal) -> str:
    """First rows of each table, counts by instrument and visit, cells that wait or are not understood."""
    lines = [f"{len(proposal.described.participants)} participants; first rows of each table:"]
    lines += _rows("participants", proposal.described.participants)
    lines += _rows("visits", proposal.described.visits)
    for table in TABLES:
        lines += _rows(table, [row.cells for row in proposal.done.rows if row.table == table])
    visits = [visit.id for visit in proposal.schedule.visits] if proposal.schedule else []
    counted: Counter[tuple[str, str]] = Counter()
    for row in proposal.done.rows:
        counted[row.cells.get("instrument", "angles"), row.visit.id] += 1
    lines += ["", "values by instrument and visit:"]
    width = max((len(name) for name, _ in counted), default=10)
    lines.append(" " * width + "".join(f"  {visit:>12}" for visit in visits))
    for name in dict.fromkeys(name for name, _ in counted):
        lines.append(f"{name:{width}}" + "".join(f"  {counted[name, visit]:>12}" for visit in visits))
    counts = proposal.ledger.counts()
    lines += ["", "cells: " + ", ".join(f"{number} {status}" for status, number in sorted(counts.items()))]
    lost = [row for row in proposal.ledger.rows() if row["status"] == "finding"]
    lines.append(f"cells that would be lost: {len(lost)}" + ("" if not lost else ":"))
    lines += [f"  {row['cell']}: {row['found']!r} {row['why']}" for row in lost[:20]]
    lines += ["", f"questions ({len(proposal.open)} open):"]
    lines += [f"  [{q.kind}] {q.id} ({q.place}): {q.text} {' / '.join(q.choices)}" for q in proposal.questions]
    return "\n".join(lines)


def _rows(name: str, rows: list[dict[str, str]]) -> list[str]:
    if not rows:
        return []
    shown = [f"  {', '.join(f'{key}={value}' for key, value in row.items() if value)}" for row in rows[:_FIRST_ROWS]]
    return ["", f"{name} ({len(rows)} rows)", *shown]
