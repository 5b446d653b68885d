"""Formulas and models of the load, the bank and the water, each with its source. Pure; nothing of ours is imported."""
