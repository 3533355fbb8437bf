"""Two setups held against each other: the model of outings, the verdict, and the way from recordings to it."""
