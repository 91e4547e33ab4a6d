"""What other programs are told over MQTT.

Under ``<base>/<site>/``, all JSON but for the first:

- ``availability``: ``online`` or ``offline``, retained. The broker says ``offline``
  when the connection breaks, and forgets ``online`` when the daemon's steps stop.
- ``snapshot``: what is seen and demanded now, retained.
- ``alarms/<alarm>/<pack, string or part>``: retained while the alarm is not normal.
- ``outputs/<output>``: its level and why, retained.
- ``events``: each fact once, with a number that grows by one; not retained.
"""

from tocsin.mqtt.publisher import Publisher

__all__ = ["Publisher"]
