"""The barge's side of the demo, in a process of its own: an embedded broker, and telemetry published through it.

Speaks to the daemon only over MQTT, as a real gateway would; reports to the demo on standard output, one JSON object a
line, what the sun is doing.
"""

import asyncio
import json
import sys
from typing import Any, NamedTuple

from amqtt.broker import Broker

from dumpload.demo.barge import Barge, advance
from dumpload.mqtt import LinkOptions, Listener, Message, Subscription
from dumpload.mqtt.link import Link

# How much faster the barge lives than we do.
SPEED = 120.0

# Barge time between two samples.
STEP_S = 10.0

STARTS_AT_S = 10 * 3600 + 40 * 60
FIRST_CHARGE_PERCENT = 96.2


class Scene(NamedTuple):
    """A stretch of the day: what happens, for how long (barge s), the sun on the panels, whether telemetry flows."""

    text: str
    lasts_s: float
    sun_w: float
    telemetry: bool = True


SCENES = (
    Scene("The sun is on the panels and the battery is charging.", 14 * 60, 1150),
    Scene("A long bank of cloud comes over.", 58 * 60, 30),
    Scene("The sun is back.", 18 * 60, 1250),
    Scene("The telemetry stops: someone unplugged the gateway.", 6 * 60, 1250, telemetry=False),
    Scene("The gateway is plugged in again.", 10 * 60, 1250),
)


class Gateway(Listener):
    """Publishes the barge's state, and hears from the daemon whether its heater is on."""

    def __init__(self, port: int) -> None:
        self.heater_on = False
        listen = (Subscription("dumpload/barge/status", retained=True),)
        options = LinkOptions(
            "127.0.0.1", port, "3.1.1", "barge-gateway", 15, None, None, False, None, None, None, listen, None
        )
        self.link = Link(options, self, asyncio.get_running_loop().time)
        self.up = asyncio.Event()

    def on_message(self, message: Message) -> None:
        """The daemon says where its relay is."""
        self.heater_on = json.loads(message.payload)["relay"] == "on"

    def on_up(self) -> None:
        """Connected."""
        self.up.set()

    def publish(self, barge: Barge) -> None:
        """Publish one sample."""
        self.link.publish("barge/bank/charge", f"{barge.charge_percent:.2f}", qos=0)
        power = json.dumps({"bank_w": round(barge.bank_w), "panels_w": round(barge.panels_w)})
        self.link.publish("barge/bank/power", power, qos=0)


def _say(**fields: Any) -> None:
    sys.stdout.write(json.dumps(fields) + "\n")
    sys.stdout.flush()


async def play(source: Gateway) -> None:
    """Play the scenes at `SPEED`."""
    loop = asyncio.get_running_loop()
    barge = Barge(FIRST_CHARGE_PERCENT)
    clock_s, began = float(STARTS_AT_S), loop.time()
    for scene in SCENES:
        ends_at = clock_s + scene.lasts_s
        barge = advance(barge, 0.0, scene.sun_w, heater_on=source.heater_on)
        _say(clock_s=clock_s, words=scene.text, **barge._asdict())
        while clock_s < ends_at:
            barge = advance(barge, STEP_S, scene.sun_w, heater_on=source.heater_on)
            clock_s += STEP_S
            if scene.telemetry:
                source.publish(barge)
            _say(clock_s=clock_s, **barge._asdict())
            await asyncio.sleep(began + (clock_s - STARTS_AT_S) / SPEED - loop.time())
    _say(clock_s=clock_s, end=True, **barge._asdict())


async def main(port: int) -> None:
    """Run the broker and the barge until the last scene is over."""
    anonymous = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    broker = Broker({"listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}}, "plugins": anonymous})
    await broker.start()
    source = Gateway(port)
    running = asyncio.create_task(source.link.run())
    await source.up.wait()
    _say(ready=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)  # "go"
    await play(source)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)  # closed: the daemon has stopped
    running.cancel()
    await broker.shutdown()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))
