"""Terrain and excavation: from a survey to quantities of earth."""
