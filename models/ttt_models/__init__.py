"""Optimisation models for a team time trial, in Pyomo or in blocks of rows; each has a written formulation of the same name."""
