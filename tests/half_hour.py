"""Half an hour of a barge: settings that are found, and a record in which the relay comes on once."""

SETTINGS = """
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[relay]
pin = 17
pin_factory = "mock"
[permissive]
window = []
"""
ROWS = "time,state_of_charge\n" + "".join(f"{1750075200 + 30 * row},{98 if row < 30 else 90}\n" for row in range(60))
