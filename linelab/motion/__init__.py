"""The motion behind a recording, estimated and placed on a track."""
