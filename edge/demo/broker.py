"""A small MQTT 3.1.1 broker on the loopback, for the demo only: python -m edge.demo.broker PORT

It lets anyone in who can reach the loopback. A site uses a broker of its own, with passwords.
"""

import asyncio
import logging
import signal
import sys

from amqtt.broker import Broker

HOST = "127.0.0.1"


async def serve(port: int) -> None:
    """Serve until SIGTERM or SIGINT; OSError when the port is taken."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
            },
        }
    )
    await broker.start()
    await stop.wait()
    await broker.shutdown()


if __name__ == "__main__":
    logging.basicConfig(level=logging.ERROR)
    asyncio.run(serve(int(sys.argv[1])))
