"""The first hour: what arrives at the broker (`dumpload listen`), and a first settings file (`dumpload init`).

`survey` collects, `advice` and `text` say what it means, `propose` and `questions` write settings: all pure. `collect`
connects, `ask` talks to a person. Drives no pin, needs no daemon.
"""
