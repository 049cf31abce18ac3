"""One recording of both hands with its lag, and the repetitions of one participant on top of each other."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from notebooks.figures.one_recording import both_hands, overlaid_repetitions
from notebooks.sections.recordings.recorded_movement import NONE, Movement
from notebooks.show.exhibits import Exhibits, gather
from notebooks.show.movement_words import motion_words, place_words
from outcomes import columns as c
from outcomes.movement.series_files import Recordings, read_recordings
from outcomes.movement.time_stamps import EvenSeries, shared_grid
from outcomes.movement.together import pairs_together
from outcomes.protocol.series_tables import OF_TWO_HANDS, SeriesOutcome


def recording_figures(movement: Movement) -> Exhibits:
    """Both hands of one recording with their lag, and the repetitions of one participant on top of each other."""
    if not movement.taken:
        return gather((), (NONE,))
    about = movement.study.series
    usable = about[about["reason"] == ""]
    if usable.empty:
        return gather((), ("No recording can be used.",))
    person = movement.names.people(usable[c.PARTICIPANT])[0]
    recordings = read_recordings(movement.study.folder, movement.study.protocol, [], only={c.PARTICIPANT: person})
    made: list[go.Figure | None] = []
    seen: set[tuple[str, ...]] = set()
    for one in movement.taken:
        place = (one.quantity, one.digit, one.joint, *one.motion, str(one.measure in OF_TWO_HANDS))
        if place not in seen:
            seen.add(place)
            draw = _hands if one.measure in OF_TWO_HANDS else _repetitions
            made.append(draw(movement, one, recordings, person))
    return gather(made)


def _of_outcome(movement: Movement, one: SeriesOutcome, recordings: Recordings) -> pd.DataFrame:
    """The usable recordings of an outcome at the first visit that has any, with their place among the recordings."""
    about = recordings.about.assign(place=np.arange(len(recordings.about)))
    rows = about[
        (about["quantity"] == one.quantity) & (about["digit"] == one.digit) & (about["joint"] == one.joint)
        & (about["motion"] == one.motion[0]) & (about["reason"] == "")
    ]  # fmt: skip
    visits = movement.names.visits(rows[c.VISIT])
    return rows[rows[c.VISIT] == visits[0]] if visits else rows


def _hands(movement: Movement, one: SeriesOutcome, recordings: Recordings, person: str) -> go.Figure | None:
    rows = _of_outcome(movement, one, recordings)
    people = movement.study.participants.set_index(c.PARTICIPANT)
    affected = str(people.loc[person, "affected_side"])
    other = {"left": "right", "right": "left"}.get(affected, "")
    leads = {"affected": affected, "other": other}.get(one.leader, one.leader)
    column = "role" if one.leader == "leader" else "hand"
    follows = {"left": "right", "right": "left", "leader": "follower"}.get(leads, "")
    for repetition in dict.fromkeys(rows["repetition"]):
        own = rows[rows["repetition"] == repetition].set_index(column)
        if leads not in own.index or follows not in own.index:
            continue
        hands = [
            EvenSeries(recordings.values[int(own.loc[hand, "place"])][:, None], own.loc[hand, "start"],
                       own.loc[hand, "rate"], 0, 0.0, "", ())
            for hand in (leads, follows)
        ]  # fmt: skip
        first, second, why = shared_grid(*hands)
        if why:
            continue
        rate = float(hands[0].rate)
        lag = float(pairs_together(first.T, second.T, rate).columns["lag_s"][0])
        visit = str(own[c.VISIT].iloc[0])
        words = {affected: "affected hand", other: "other hand"}
        return both_hands(
            first[:, 0], second[:, 0], rate, names=(words.get(leads, leads), words.get(follows, follows)),
            about=f"One person, {movement.names.visit(visit)}, repetition {repetition}", lag_s=lag, unit="degrees",
            name=f"one_recording/{one.joint or one.digit or 'hands'}",
        )  # fmt: skip
    return None


def _repetitions(movement: Movement, one: SeriesOutcome, recordings: Recordings, person: str) -> go.Figure | None:
    rows = _of_outcome(movement, one, recordings)
    affected = str(movement.study.participants.set_index(c.PARTICIPANT).loc[person, "affected_side"])
    mine = rows[rows["hand"].isin((affected, "affected"))]
    rows = mine if len(mine) else rows
    if rows.empty:
        return None
    rows = rows[rows["hand"] == rows["hand"].iloc[0]]
    parts = []
    for row in rows.to_dict("records"):
        samples = recordings.values[row["place"]]
        seconds = np.arange(len(samples)) / row["rate"]
        parts.append(pd.DataFrame({"repetition": row["repetition"], "time": seconds, "value": samples}))
    where = " ".join(filter(None, (one.digit, one.joint))) or one.quantity
    place = place_words(one.digit, one.joint, one.quantity)
    visit = movement.names.visit(str(rows[c.VISIT].iloc[0]))
    unit = movement.study.protocol.series.force_unit if one.quantity == "force" else one.quantity
    return overlaid_repetitions(
        pd.concat(parts, ignore_index=True), about=f"One person, {place}, {motion_words(one.motion[0])}, {visit}",
        unit=unit, name=f"overlaid_repetitions/{where.replace(' ', '_')}_{one.motion[0]}",
    )  # fmt: skip
