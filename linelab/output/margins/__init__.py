"""A line with margins, as a table, sentences, files and a picture."""
