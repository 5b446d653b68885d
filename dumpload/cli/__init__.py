"""The command line: what is typed becomes calls, and what comes of them text and an exit code.

Empty on purpose: `dumpload off` lives here too and must load nothing heavy.
"""
