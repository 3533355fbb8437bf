"""What habits cost, as tables, sentences, data and pictures."""
