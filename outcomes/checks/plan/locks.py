"""Checks of the lock of the analysis plan (this study's own? what has departed? data taken out?), and of blinding."""

from collections.abc import Iterator

import pandas as pd

from outcomes.checks.register import reports
from outcomes.findings import flag
from outcomes.lock.departures import unused_explanations
from outcomes.lock.lock_file import NAME, of_another_study
from outcomes.study import Study

_NAMED = 5  # codes of participants in one finding


@reports("lock of another study", "title differs from the lock", "participant gone since the lock")
def lock_is_own(study: Study) -> Iterator[pd.DataFrame]:
    if study.lock is None:
        return
    last = study.lock.locks[-1]
    people = set(study.participants["participant"].astype(str))
    people |= {code for code, instead in study.masked_texts.items() if instead in people}
    gone = [code for code in last.participants if code not in people]
    if of_another_study(study.lock, people):
        title = study.shown_text(last.title)
        yield flag("lock of another study", file=NAME, found=f"a lock of {title!r}, none of its participants here",
                   allowed="the lock of this folder")  # fmt: skip
        return
    title = study.shown_text(last.title)
    if title != study.protocol.title:
        yield flag("title differs from the lock", file=NAME, found=title, allowed=study.protocol.title)
    if gone:
        more = f" and {len(gone) - _NAMED} more" if len(gone) > _NAMED else ""
        yield flag("participant gone since the lock", file=study.files.get("participants", ""), column="participant",
                   found=", ".join(gone[:_NAMED]) + more)  # fmt: skip


@reports("rows gone since the lock")
def rows_only_grow(study: Study) -> Iterator[pd.DataFrame]:
    if study.lock is None:
        return
    for table, locked in study.lock.locks[-1].rows.items():
        now = study.rows_read.get(table, 0)
        if now < locked:
            yield flag("rows gone since the lock", file=study.files.get(table, table), found=f"{now} rows",
                       allowed=f"{locked} or more")  # fmt: skip


@reports("blinded")
def letters_shown(study: Study) -> Iterator[pd.DataFrame]:
    if study.masked:
        yield flag("blinded", file="study.toml", column="blinded", found=" ".join(study.hidden).rstrip("."))


@reports("departure from the locked plan", "departure that is none")
def departures_listed(study: Study) -> Iterator[pd.DataFrame]:
    for each in study.departures:
        advice = f"Reason: {each.reason.rstrip('.')}." if each.explained else (
            f'Give the reason in study.toml: a table [[departures]] with key = "{each.key}", date and reason.'
        )  # fmt: skip
        yield flag("departure from the locked plan", file="study.toml", column=each.key,
                   found=f"{each.now} ({each.step})", allowed=f"{each.locked} (as locked)", advice=advice)  # fmt: skip
    for told in unused_explanations(study.protocol, study.departures):
        yield flag("departure that is none", file="study.toml", column="departures", found=told.key)
