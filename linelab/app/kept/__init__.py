"""How the user's folder is kept: names, revisions, sessions, and what was removed."""
