"""How fast a kart can go along a given line."""
