"""Any answers to any instrument: a score within the limits of its scale, a reason, or a refusal in words."""

import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes import InstrumentError, catalogue, instrument, score_items
from outcomes.columns import NOT_A_NUMBER

INSTRUMENTS = sorted(set(catalogue()["instrument"]))
ANSWERS = st.one_of(
    st.none(), st.sampled_from(NOT_A_NUMBER), st.integers(-2, 12), st.floats(-1e3, 1e3),
    st.sampled_from(["1+", "x", "", "NaN", "inf", "\u200b2"]), st.just(float("nan")), st.just(float("inf")),
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_any_answers_end_in_a_score_a_reason_or_a_refusal(data):
    found = instrument(data.draw(st.sampled_from(INSTRUMENTS)))
    items = data.draw(st.lists(st.sampled_from([item.id for item in found.items]), unique=True))
    allowed = {item.id: list(item.levels) or [item.low, item.low + 1] for item in found.items}
    likely = data.draw(st.booleans())  # mostly allowed answers, or anything
    answers = {item: data.draw(st.sampled_from(allowed[item]) if likely else ANSWERS, label=item) for item in items}
    try:
        scores = score_items(found, answers)
    except InstrumentError:
        return
    for name, record in scores.items():
        scale = found.scale(name)
        if math.isnan(record.value):
            assert record.reason
        else:
            assert scale.low is None or record.value >= scale.low - 1e-9
            assert scale.high is None or math.isinf(scale.high) or record.value <= scale.high + 1e-9
        assert 0 <= record.answered <= max(record.items, record.answered)
