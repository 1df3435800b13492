"""The embedded broker, for trying things out and for one small site: a child process of `serve`.

What it is not: it keeps everything in memory, knows no users and listens on this machine only.
Nothing is lost through it all the same, because a node deletes a sample only on receipt. Whatever
listens beyond this machine is a broker of its own (deploy/mosquitto.conf).
"""

import logging
import sys
import tempfile
from collections.abc import Sequence

from monitor import logs
from monitor.config import Log
from monitor.errors import ConfigError

LOG = Log()

# MQTT 5 only: a node of an older version could not be told that it was refused.
# Segments are what the broker keeps for a subscriber that is away: 10 MB, then the oldest go (and
# come again, because no receipt was sent); without a bound it grew by 0.3 kB a message.
_SETTINGS = """\
id = 0

[router]
id = 0
max_connections = 1000
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 10

[v5.1]
name = "sillkeep"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 5000
max_payload_size = 262144
max_inflight_count = 1000
"""


def run_embedded(port: int) -> None:
    """Be the embedded broker until the process is ended.

    Parameters
    ----------
    port : int
        TCP port on 127.0.0.1. 1 to 65535

    Raises
    ------
    ConfigError
        If the port is taken.
    """
    from iotcore import IotCoreBroker

    # the router writes every packet into its log as an error
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    with tempfile.NamedTemporaryFile("w", prefix="sillkeep-broker-", suffix=".toml") as file:
        file.write(_SETTINGS.format(port=port))
        file.flush()
        broker = IotCoreBroker(config_path=file.name)
    try:
        broker.check_ports()
    except OSError as error:
        raise ConfigError(
            f"port {port} is taken ({error}); if that is a broker of yours, name it: "
            'host = "127.0.0.1" under [broker]; otherwise set another port there'
        ) from error
    broker.run_forever()


def command(port: int, log: Log = LOG) -> list[str]:
    """Command line of the child process."""
    return [sys.executable, "-m", "monitor.broker", str(port), log.form, log.level]


def main(words: Sequence[str]) -> None:
    """Run by a port, and how to log."""
    port, *how = words
    names = dict(zip(("form", "level"), how, strict=False))
    logs.configure("broker", Log.model_validate(names))
    try:
        run_embedded(int(port))
    except ConfigError as error:
        logging.getLogger("broker").critical("%s", error)
        sys.exit(1)


if __name__ == "__main__":
    main(sys.argv[1:])
