"""Many laps: which are to be computed, the computing, and the file that results are kept in."""
