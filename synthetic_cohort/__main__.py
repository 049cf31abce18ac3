"""`python -m synthetic_cohort`: print, for every preset, the `occasion_sd` that belongs beside each `retest`.

Run it after a change of `curves.toml` or of a preset, and write the values into the presets.
"""

from synthetic_cohort.calibration import calibrate
from synthetic_cohort.preset_files import preset, presets


def main() -> None:
    """Print one line per preset and instrument."""
    for name in presets():
        design = preset(name)
        for measure in design.measures:
            print(f"{name}  {measure.instrument}  occasion_sd = {calibrate(design, measure.instrument)}", flush=True)


if __name__ == "__main__":
    main()
