"""Runs the embedded broker on the address given, until it is killed. A program of its own."""

import asyncio
import sys

from amqtt.broker import Broker


async def serve(address: str) -> None:
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": address}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1]))
