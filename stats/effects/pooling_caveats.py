"""What a pooled effect of few studies cannot tell: sentences that go with the number."""

FEW = 5  # studies below which the variance between them is hardly known: judgement, no published bound
MANY = 20  # studies below which the normal law is plainly too narrow: judgement
SUSPECT = 0.1  # p of the test of asymmetry below which it is mentioned; the usual level of this weak test

# The lowest and highest coverage of a 95 % interval over the conditions of tests/simulation/pooled_coverage.csv.
COVERED: dict[tuple[str, str], dict[int, tuple[float, float]]] = {
    ("paule-mandel", "hartung-knapp"): {3: (0.8946, 0.9532), 5: (0.9021, 0.9528), 8: (0.9191, 0.9529)},
    ("paule-mandel", "hartung-knapp-safe"): {3: (0.9502, 1.0), 5: (0.9316, 0.9957), 8: (0.9329, 0.9844)},
    ("paule-mandel", "normal"): {3: (0.7866, 0.9627), 5: (0.8594, 0.9589), 8: (0.8934, 0.9549)},
    ("reml", "hartung-knapp"): {3: (0.8951, 0.9533), 5: (0.9015, 0.952), 8: (0.9212, 0.9527)},
    ("reml", "hartung-knapp-safe"): {3: (0.9522, 1.0), 5: (0.9343, 0.996), 8: (0.939, 0.985)},
    ("reml", "normal"): {3: (0.7866, 0.9626), 5: (0.8548, 0.958), 8: (0.896, 0.9544)},
}
POOR, WASTEFUL = 0.94, 0.985  # of a nominal 0.95


def simulated_coverage(studies: int, method: str, interval: str) -> tuple[float, float] | None:
    """Lowest and highest simulated coverage at the nearest number of studies; None where nothing was simulated."""
    table = COVERED.get((method, interval))
    if table is None or studies > max(table):
        return None
    return table[min(table, key=lambda k: (abs(k - studies), k))]


def coverage_caveat(studies: int, method: str, interval: str) -> str:
    """The caveat on the interval, "" where its simulated coverage is near what it says."""
    found = simulated_coverage(studies, method, interval)
    if found is None:
        return ""
    low, high = found
    said = []
    if low < POOR:
        said.append(f"as few as {low:.0%}")
    if high > WASTEFUL:
        said.append(f"as many as {high:.0%}" if high < 1 else "nearly all")
    if not said:
        return ""
    return f"in simulations of few small trials {' or '.join(said)} of such 95% intervals held the truth"
