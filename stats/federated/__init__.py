"""One analysis over hospitals whose rows must not leave them: sums travel, each by a documented file.

Reading order: `outcome_sums` (what a site computes), `counted` (responders and baseline as counts), `guard` (what may
leave), `moments_file` (the file), `merged` (the pooled model).
"""
