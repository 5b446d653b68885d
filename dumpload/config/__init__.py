"""The settings: every key once, its rules, where its value came from, and the words for everything wrong.

Empty on purpose: `dumpload off` imports `config.layers` and must not load pydantic.
"""
