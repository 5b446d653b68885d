"""What a boat would get before a panel is bought: the plant of `physics` through weather, under the daemon's own law.

`weather` says what panels offer (extra `solar`), `engine` runs plant and law together, `summary` counts.
"""
