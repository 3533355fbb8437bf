"""Two setups held against each other: lines for a terminal, files and the picture."""
