"""Several instances on one computer: no pin, name, base topic or history may belong to two of them.

Judges settings that were read already. Two daemons on one line would drive the load against each other, and neither
would know.
"""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from dumpload.check.sources import OWNER
from dumpload.check.table import INSTANCES, Check, Danger, Judgement, Known, grade
from dumpload.config.model import Settings

# What is claimed, in words, each as something that can be compared.
Claims = list[tuple[str, object]]


def instance_checks(path: Path, settings: Settings, others: Mapping[Path, Settings | None]) -> Iterator[Check]:
    """Yield a check of each thing that only one instance may have; none if there is no other file.

    `others`: the settings in the same folder; None: those could not be read.
    """
    if not others:
        return
    read = {file: settings for file, settings in others.items() if settings is not None}
    unread = [str(file) for file, settings in others.items() if settings is None]
    for slug, name, danger, claims, keys in (
        ("own_pin", "a pin of its own", Danger.ARC, _pins, ("relay.pin",)),
        ("own_name", "a name of its own", Danger.SERVICE, _names, ("name",)),
        ("own_topic", "a base topic of its own", Danger.SERVICE, _topics, ("mqtt.base_topic",)),
        ("own_history", "a history of its own", Danger.SERVICE, _histories, ("history.path",)),
    ):
        mine = claims(settings)
        shared = [
            f"{description} in {path} and in {file}"
            for file, settings in read.items()
            for description, claim in mine
            if claim in [theirs for _description, theirs in claims(settings)]
        ]
        judgement = _judgement(shared, len(read) + 1, unread, keys[0])
        yield Check(INSTANCES, slug, name, danger, (), _always(judgement), keys=keys)


def _always(judgement: Judgement) -> Callable[[Known], Judgement]:
    return lambda _known: judgement


def _judgement(shared: list[str], count: int, unread: list[str], key: str) -> Judgement:
    if shared:
        return Judgement(grade(fails=True), "; ".join(shared), "one owner", OWNER, f"Change {key} in one of the files.")
    figure = (
        f"none is shared by the {count} settings files in the folder" if count > 1 else "no other file could be read"
    )
    change = f"Not compared, since check refuses it: {', '.join(unread)}" if unread else ""
    return Judgement(grade(fails=False, cautions=bool(unread)), figure, "one owner", OWNER, change)


def _pins(settings: Settings) -> Claims:
    relay = settings.relay
    pins = [pin for pin in (relay.pin, relay.feedback_pin) if pin is not None and relay.pin_factory != "mock"]
    chip = f" of chip {relay.chip_label}" if relay.chip_label else ""
    return [(f"GPIO{pin}{chip}", (relay.chip_label, pin)) for pin in pins]


def _names(settings: Settings) -> Claims:
    return [(f"name {settings.name}", settings.name)]


def _topics(settings: Settings) -> Claims:
    mqtt = settings.mqtt
    return [(f"base topic {mqtt.base_topic}", (mqtt.host, mqtt.port, mqtt.base_topic))]


def _histories(settings: Settings) -> Claims:
    path = settings.history.path
    return [] if path is None else [(f"history {path}", path.resolve())]
