"""Where the tables are, what their columns mean, whose the lines are."""
