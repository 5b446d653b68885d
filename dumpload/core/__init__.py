"""The control law and all it needs, pure and clockless: standard library only, no I/O, time comes in as a number.

Read in this order: `signals` (what is measured), `freshness` (what is live at time t), `decode` (bytes to values),
`law` (surplus, demand, vetoes, relay), `permissive` (the conditions that must hold), `window` (local time of day),
`contact` (evidence of a stuck contact), `state` (what a controller is given and remembers), `known` (what an event
tells), `controller` (one event in, one decision out), `explain` (the words a person reads).
"""
