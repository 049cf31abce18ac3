"""Prices of things that last, and money of later years."""

from stats.errors import FitError


def annuity(rate: float, years: float) -> float:
    """Present value of 1 a year over the years of use: (1 - (1 + r)^-L) / r; the years themselves at rate 0.

    rate: a year, 0.035 for 3.5 %. Raises FitError for a rate below 0 or no years. Source: a geometric series.

    >>> round(annuity(0.035, 4), 4)
    3.6731
    """
    if not (rate >= 0 and years > 0):
        raise FitError(f"Rate {rate}, years {years}: allowed a rate of 0 or more (0.035 for 3.5 %) and years above 0.")
    return years if rate == 0 else (1 - (1 + rate) ** -years) / rate


def device_per_participant(
    price: float, *, years: float, participants_per_year: float, rate: float = 0.0, maintenance: float = 0.0,
    resale: float = 0.0,
) -> float:  # fmt: skip
    """((price - resale (1 + r)^-L) / annuity + maintenance of a year) / participants who share the device in a year.

    How many share a device is the largest assumption: show the cost at half and at one and a half of it.
    price, maintenance, resale and the result: in one currency. Raises FitError for a rate below 0, no years, or nobody
    to share it. Source: equivalent annual cost, common practice.

    >>> round(device_per_participant(1200, years=4, participants_per_year=12, rate=0.035, maintenance=100), 2)
    35.56
    """
    if not participants_per_year > 0:
        raise FitError(f"{participants_per_year} participants per device and year: allowed above 0.")
    yearly = (price - resale * (1 + rate) ** -years) / annuity(rate, years)
    return (yearly + maintenance) / participants_per_year


def present_value(amount: float, year: float, rate: float) -> float:
    """Amount of a year after the start, discounted: amount / (1 + r)^year. The first year is year 0.

    amount and the result: in one currency; rate: a year, 0.035 for 3.5 %. Raises FitError for a year or a rate below 0.
    Source: a definition.

    >>> round(present_value(1000, year=3, rate=0.035), 2)
    901.94
    """
    if not (rate >= 0 and year >= 0):
        raise FitError(f"Rate {rate}, year {year}: allowed 0 or more.")
    return amount / (1 + rate) ** year
