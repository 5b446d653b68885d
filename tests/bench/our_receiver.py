"""Ours as a receiver: the daemon as `dumpload run` starts it, with the recording pin in the mock pin's place.

Arguments: the settings file, the file for the record.
"""

import os
import sys
from pathlib import Path

from recording import RecordingPin, save

from dumpload.config.model import load_settings
from dumpload.daemon.bootstrap import run_daemon
from dumpload.gpio import relay

settings, record = Path(sys.argv[1]), sys.argv[2]
relay.MockPin = RecordingPin
run_daemon(settings, load_settings(settings, os.environ), [])
save(record)
