"""The keys of study.toml as a record keeps them, so that two reports can say which of them differ."""

from outcomes import Study
from outcomes.lock.analysis_plan import plan_of

# Of a blinded study nothing that people typed: their words may name an arm.
TELLS_NO_ARM = ("design", "blinded", "primary", "outcomes", "level", "seed", "model", "visits", "thresholds")


def protocol_keys(study: Study) -> dict:
    """Every key that decides a number, and the titles and labels; what is nested in study.toml is nested here."""
    protocol = study.protocol
    keys = plan_of(protocol)
    if study.masked:
        return {key: keys[key] for key in TELLS_NO_ARM if key in keys}
    labels = {
        "arms": {arm.id: keys["arms"].get(arm.id, {}) | {"label": arm.label} for arm in protocol.arms},
        "visits": {visit.id: keys["visits"].get(visit.id, {}) | {"label": visit.label} for visit in protocol.visits},
    }
    limits = {
        "eligibility": {name: list(limits) for name, limits in protocol.eligibility.items()},
        "switched_off": dict(protocol.switched_off),
    }
    return {"title": protocol.title} | keys | labels | limits
