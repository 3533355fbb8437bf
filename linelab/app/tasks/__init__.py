"""What the app has computed, each task in a process of its own: plain values in, plain values out."""
