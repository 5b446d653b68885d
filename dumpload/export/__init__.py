"""A history as tables for other programs: Parquet or CSV, in folders by table, instance and day.

`tables` is the schema, `from_history` makes the rows, `folder` writes the parts and replaces none but its own.
"""
