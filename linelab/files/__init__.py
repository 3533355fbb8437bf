"""Files in and out; units other than SI end here."""
