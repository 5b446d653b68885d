"""Closed-loop replay: the recorded days under other settings, including the load's effect on the bank.

Read in this order: `evidence` (a record on a regular grid), `sight` (what the record tells of `charger`, its `stops`,
`bank`, monitor, element and tank), `hidden_sun` (what the panels could have given while the charger throttled), `step`
(plant and law, step by step), `model` (all of it together; `play` for many settings at once), `interval` (figures and
how sure they are), `gates` (whether to give them), `document`.
"""
