"""A receiver behind the dish that publishes its signal level on MQTT.

This is the bench's own way to the broker: the program on trial must learn the level as it
would from any receiver in the house, so nothing of its own connection is used here.
"""

import json
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


class Receiver:
    """Publishes a level whenever it is given one; reconnects for ever."""

    def __init__(self, *, host: str, port: int, topic: str, json_key: str | None = None) -> None:
        self._topic, self._json_key = topic, json_key
        self._client: Any = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.reconnect_delay_set(1, 5)
        self._client.connect_async(host, port, keepalive=20)
        self._client.loop_start()

    def publish(self, level_db: float) -> None:
        """Publish a level, as a number or under a key of a JSON object."""
        text = f"{level_db:.2f}"
        if self._json_key is not None:
            text = json.dumps({self._json_key: round(level_db, 2)})
        self._client.publish(self._topic, text, qos=0)

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()
