"""What other programs are told over MQTT, and what they may ask.

One tree, after the Homie convention, version 5: ``<domain>/5/<site>/...`` for the
daemon and ``<domain>/5/<site>-<pack>/...`` for each pack. `properties` has every value;
``deploy/mqtt/TOPICS.md`` is made from it.
"""

from tocsin.mqtt.acl import AclError, acl_file
from tocsin.mqtt.announce import would_announce
from tocsin.mqtt.around import Surroundings
from tocsin.mqtt.commands import Request
from tocsin.mqtt.events import PAGE
from tocsin.mqtt.knock import knock
from tocsin.mqtt.memory import load as remembered
from tocsin.mqtt.pages import BadRequestError
from tocsin.mqtt.publisher import Publisher
from tocsin.mqtt.uplink import Patience, uplink

__all__ = [
    "PAGE",
    "AclError",
    "BadRequestError",
    "Patience",
    "Publisher",
    "Request",
    "Surroundings",
    "acl_file",
    "knock",
    "remembered",
    "uplink",
    "would_announce",
]
