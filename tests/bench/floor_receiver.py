"""The floor of a receiver: paho's own thread, and a callback that sets the pin from the payload. Nothing else.

Arguments: port, topic, protocol ("5" or "3.1.1"), the file for the record.
"""

import signal
import sys

from gpiozero import OutputDevice
from gpiozero.pins.mock import MockFactory
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from recording import RecordingPin, save

port, topic, protocol, record = sys.argv[1:]
device = OutputDevice(17, pin_factory=MockFactory(pin_class=RecordingPin))
client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5 if protocol == "5" else paho.MQTTv311)


def on_message(_client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
    device.value = float(message.payload) >= 97


client.on_message = on_message
client.on_connect = lambda *_: client.subscribe(topic)
client.on_subscribe = lambda *_: print("up", flush=True)
client.connect("127.0.0.1", int(port))
ended = {signal.SIGTERM}
signal.pthread_sigmask(signal.SIG_BLOCK, ended)
client.loop_start()
signal.sigwait(ended)
save(record)
