"""What an invented trial of a device writes down besides scores, and the truth behind it."""
