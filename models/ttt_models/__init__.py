"""Optimisation models for a team time trial; each has a written formulation of the same name."""
