"""Pure formulas and their tables, each with its source, for what a person checks or works out before deciding.

Standard library only, nothing of ours, no state; the running daemon imports none of it. Units are in the names. A
number outside the range a formula was made for is a ValueError that gives the value and the range.

    element     what a resistive element draws at a voltage, with a cable in series
    conductors  gauges, areas, resistance of copper, drop along a cable
    protection  what a cable may carry, fuses, short-circuit current
    contacts    how long a contact lasts, coils and their drivers
    bank        energy between states of charge, cycles, drift, where a charger throttles
    water       density, heat, a tank with standing loss, expansion
    scald       how hot water hurts people
"""
