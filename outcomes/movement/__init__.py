"""Movement and force over time: from an exported series of angles or forces to outcomes of a study.

Measures, in reading order: `low_pass` (filter, cut-off, differences), `signal` (what a record can and cannot carry),
`ranges`, `turning_points`, `speed`, `smoothness`, `lag` and `together` (two hands), `force_hold`, `force_above`,
`passive`. Each has one function for one recording (a frozen record with the reason of a refusal) and one over many
of equal length, which the study's rows come from. Research on groups only: no number here judges one person's movement.
"""
