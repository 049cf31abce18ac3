"""From what was found to the sheets and the protocol of a study folder."""
