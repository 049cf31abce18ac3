"""What the chapter on movement over time is made of: the recordings, how repeatable they are, what they look like."""
