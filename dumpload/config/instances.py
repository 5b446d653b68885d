"""The settings of the other instances on this computer: the files beside the one that is read, in their folder."""

from pathlib import Path

from dumpload.config.layers import ConfigError
from dumpload.config.model import Settings, load_settings


def other_instances(path: Path, installed: str) -> dict[Path, Settings | None]:
    """Return the other settings in the folder of the installed ones; None for those that are refused.

    `installed`: the usual file of the only instance. A file elsewhere is a draft, or an example, and has no others. The
    environment is that of one instance, and so it is not asked for the others.
    """
    folder = Path(installed).resolve().parent
    if path.resolve().parent != folder:
        return {}
    found: dict[Path, Settings | None] = {}
    for file in sorted(folder.glob("*.toml")):
        if file.resolve() == path.resolve():
            continue
        try:
            found[file] = load_settings(file, {})
        except ConfigError:
            found[file] = None
    return found
