"""Sets of rules for the sides of excavations, as data files."""
