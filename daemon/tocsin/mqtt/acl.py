"""Who may do what at the broker, in the form of mosquitto's ``acl_file``. Pure.

mosquitto.conf(5), "Access Control": what no rule allows is refused. Rules are of exact
depth: a device that may write ``#`` below its name may write its own commands.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.mqtt.describe import devices
from tocsin.mqtt.names import Names, slug

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from tocsin.core.site import Site
    from tocsin.ports import BrokerSpec

_ONE_LEVEL = re.compile(r"\{(id|unit|datatype|quantity|precision)\}")
_ANY_LEVELS = re.compile(r"\{(name|value_topic|availability_topic|command_topic)\}")

ABOUT = """\
# Who may do what at the broker for {site}. What is not listed is refused.
# mosquitto: acl_file; read again on SIGHUP.
"""
ABOUT_DEVICE = "the daemon: its own tree and its announcements, never its own commands"
ABOUT_HUB = "a hub: reads all of it, and gives the commands that exist"
ABOUT_VIEWER = "a viewer: reads all of it, writes nothing"


class AclError(ValueError):
    """No rules can be given that are safe; the text says why."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What is allowed on a filter: ``read``, ``write`` or ``readwrite``."""

    access: str
    filter: str

    def __str__(self) -> str:
        return f"topic {self.access} {self.filter}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Acl:
    """The rules of one site.

    Attributes:
        device: Of the daemon.
        hub: Of a program that reads everything and gives commands.
        viewer: Of one that reads everything.
    """

    device: tuple[Rule, ...]
    hub: tuple[Rule, ...]
    viewer: tuple[Rule, ...]


def acl(spec: BrokerSpec, site: Site, former: Iterable[str] = ()) -> Acl:
    """Return the rules; *former* are devices or packs that earlier runs published.

    Raises:
        AclError: announcements could go to a command's topic, or anywhere.
    """
    names = Names.of_site(site, spec)
    commands = tuple(_commands(names, spec, site))
    gone = {_device(names, each) for each in former} - set(names.devices)
    own = names.kept((*names.devices, *sorted(gone)))
    announced = _announced(spec)
    seen = tuple(Rule("read", each) for each in (*own, *announced))
    device = (
        *(Rule("readwrite", each) for each in (*own, *names.kept_of_old)),
        *(Rule("write", each) for each in announced),
    )
    for rule in device:
        if any(covers(rule.filter, topic) for topic in commands):
            raise AclError(f"the site could give itself commands by {rule.filter}")
    if commands:
        device += (Rule("read", names.commands), Rule("write", f"{names.replies}#"))
    return Acl(
        device=device,
        hub=(
            *seen,
            *(Rule("write", each) for each in commands),
            *((Rule("read", f"{names.replies}#"),) if commands else ()),
        ),
        viewer=seen,
    )


def acl_file(
    spec: BrokerSpec,
    site: Site,
    *,
    user: str = "",
    hubs: Iterable[str] = (),
    viewers: Iterable[str] = (),
    former: Iterable[str] = (),
) -> str:
    """Return the whole file; *user* is the daemon's, the site's own id if empty.

    Raises:
        AclError: see `acl`; or no user can be called that, or two are called alike.
    """
    made, own = acl(spec, site, former), user or slug(site.name)
    blocks = [(ABOUT_DEVICE, made.device, own)]
    blocks += [(ABOUT_HUB, made.hub, each) for each in hubs]
    blocks += [(ABOUT_VIEWER, made.viewer, each) for each in viewers]
    names = [name for _, _, name in blocks]
    if len(set(names)) < len(names):
        raise AclError(f"two users have one name: {', '.join(names)}")
    text = (f"\n# {about}\n{written(rules, name)}" for about, rules, name in blocks)
    return ABOUT.format(site=" ".join(site.name.split())) + "".join(text)


def written(rules: Iterable[Rule], user: str) -> str:
    """Return the rules of *user* as lines of the file.

    Raises:
        AclError: no user can be called that.
    """
    if (
        not user
        or user != user.strip()
        or not user.isprintable()
        or set(user) & set("+#/")
    ):
        raise AclError(f"{user!r} is no name of a user: no blanks around it, no + # /")
    return "\n".join((f"user {user}", *dict.fromkeys(map(str, rules)), ""))


def covers(pattern: str, topic: str) -> bool:
    """Return True if *pattern* matches *topic*: MQTT 5.0, 4.7."""
    wanted, given = pattern.split("/"), topic.split("/")
    if given[0].startswith("$") and wanted[0] in {"+", "#"}:
        return False
    if wanted[-1] == "#":
        wanted.pop()
        given = given[: len(wanted)]
    return len(wanted) == len(given) and all(
        want in {"+", have} for want, have in zip(wanted, given, strict=True)
    )


def _commands(names: Names, spec: BrokerSpec, site: Site) -> Iterator[str]:
    for device in devices(names, site, {}, has_commands=spec.takes_commands):
        for node in device.nodes:
            for each in node.properties:
                if each.is_settable:
                    yield names.topic(device.id, node.id, each.id, "set")


def _device(names: Names, former: str) -> str:
    """Return the id of a device or pack that an earlier run published."""
    is_device = former == names.root or former.startswith(f"{names.root}-")
    return former if is_device else f"{names.root}-{slug(former)}"


def _announced(spec: BrokerSpec) -> tuple[str, ...]:
    if spec.announcement is None:
        return ()
    levels = list[str]()
    for level in spec.announcement.topic.split("/"):
        if _ANY_LEVELS.search(level):
            levels.append("#")
            break
        levels.append("+" if _ONE_LEVEL.search(level) else level)
    if levels[0] == "#":
        raise AclError("announcements could go anywhere: begin their topic with a word")
    return ("/".join(levels),)
