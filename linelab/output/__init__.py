"""What people and programs are given: texts, tables, pictures, files."""
