"""From files to tables: find the file of a sheet, read its cells as typed, then turn them into numbers and dates."""
