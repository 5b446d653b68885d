"""A gateway that publishes the state of a barge four times a second, with mistakes that a test can mend."""

import json
import threading
import time
from typing import Any

from brokers import HOST
from paho.mqtt import client as paho

EVERY_S = 0.25


class Gateway:
    """Publishes `payload()` on its topic, and the panels' power, until closed. `clock_ahead_s`: of its own clock."""

    def __init__(self, port: int, topic: str = "barge/bank", **login: str) -> None:
        self.topic = topic
        self.soc, self.power_w, self.clock_ahead_s = 97.5, 400.0, 0.0
        self._ended = threading.Event()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        if login:
            self._client.username_pw_set(**login)
        self._client.connect(HOST, port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def payload(self) -> dict[str, Any]:
        return {"soc": self.soc, "p": self.power_w, "ts": time.time() + self.clock_ahead_s}

    def _run(self) -> None:
        while not self._ended.wait(EVERY_S):
            self._client.publish(self.topic, json.dumps(self.payload()))
            self._client.publish("barge/panels/power", "812")

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()
