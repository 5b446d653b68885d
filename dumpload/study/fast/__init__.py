"""Replay at the speed of a fast reader, for whoever installs the extra `study`; nothing else needs it.

Decides nothing: what is read here is played by the same player, and what is not plain is left to the plain reader.
numpy and pyarrow are at home here and nowhere else.
"""
