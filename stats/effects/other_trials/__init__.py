"""Published trials: one arm from what its paper prints, rows to trials, trials to effects."""
