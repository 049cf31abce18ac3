"""Generated examples are the same in every run, so that a red suite means a changed project."""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")
