"""Simulation of a planned installation: the plant of `physics` through weather, under the daemon's own law.

`weather` says what panels offer (extra `solar`), `boat` what is installed, `years` what comes from outside minute by
minute, `engine` runs plant and law together, `run` all of it, `summary` counts, `text` says it.
"""
