"""Optimisation models for a team time trial, in Pyomo; each has a written formulation of the same name."""
