"""What pays, and where: in words, as a table, as files and as pictures."""
