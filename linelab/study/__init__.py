"""What-ifs, answered by solving again."""
