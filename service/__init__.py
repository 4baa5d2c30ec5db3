"""Ridgeline: who must be examined for retinopathy of prematurity, when, and why."""
