"""The extra `study`: Parquet, and big tables read with Arrow; nothing else needs it.

Decides nothing: what is read here is played by the same loop, and what is not plain is left to the plain reader.
numpy and pyarrow are at home here and nowhere else.
"""
