"""How an invented device is used and what goes wrong with it: all figures are made up."""

from dataclasses import dataclass


@dataclass(frozen=True)
class DevicePlan:
    """One device. days_per_week 0: the study has none, and none of its sheets is made.

    channel: id of a force channel in the sheet of trials; its force in newtons is `force` for a hand of latent strength
    0, `force_per_unit` more per unit of it, `force_help` more with the device on and `force_hindrance` less with it
    worn without power. torque: resistance of the first slow stretch (N m), `torque_drop` less at the last of
    `stretches`, `torque_fast` more at the fast velocity, `torque_device` less from the first to the last with the
    device on. Rates are per person and 28 days.
    """

    days_per_week: int = 0
    minutes: float = 60.0
    worn_mean: float = 0.65
    worn_sd: float = 0.2
    active_share: float = 0.6
    movements_per_minute: float = 5.0
    assisted_percent: float = 60.0
    assisted_percent_by_day: float = -0.3
    gap_chance: float = 0.03
    channel: str = ""
    force: float = 11.0
    force_per_unit: float = 5.0
    force_sd: float = 2.0
    force_help: float = 7.0
    force_help_sd: float = 2.5
    force_hindrance: float = 1.2
    force_noise: float = 0.7
    stretches: int = 5
    velocities: tuple[float, ...] = (10.0, 90.0)
    torque: float = 0.9
    torque_sd: float = 0.25
    torque_drop: float = 0.18
    torque_device: float = 0.1
    torque_fast: float = 0.35
    torque_noise: float = 0.03
    torque_limit: float = 1.9
    deficiency_rate: float = 0.35
    skin_chance: float = 0.12
    donning_minutes: float = 6.0
    continue_chance: float = 0.7
