"""The live page of `dumpload serve`: the daemon's status and the history, shown to browsers. Reads only."""
