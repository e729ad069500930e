"""Surveys of every kind through a plan to ground and volume."""
