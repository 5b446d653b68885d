"""What a broker says, in the words of an installer: `dumpload listen`. Drives no pin, needs no daemon.

`survey` collects, pure; `advice` and `text` say what it means; `collect` is the one that connects; `propose` writes
settings for the topics a person names.
"""
