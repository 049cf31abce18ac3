"""What words, dates, numbers and headings say, in several languages."""
