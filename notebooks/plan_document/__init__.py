"""The analysis plan as a document, before the first participant: from study.toml alone."""
