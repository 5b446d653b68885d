"""Search for better settings of the law, by closed-loop replay.

Read in this order: `grid` (the settings that are tried), `play` (all of them through one identified record), `aims`
(what they are judged by, and the limits), `choose` (those worth choosing between), `month` (what each would give, with
its interval), `tune` (all of it together), `document`, `picture`, `page` and `parts` (what is shown and written).
"""
