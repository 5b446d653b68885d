"""The settings of the other instances on this computer: the files beside the one that is read, in their folder."""

from pathlib import Path

from dumpload.config.layers import ConfigError
from dumpload.config.model import Settings, load_settings


def other_instances(path: Path, installed: str) -> dict[Path, Settings | None]:
    """Return the other settings in the folder of the `installed` ones; None for those that are refused."""
    # A file elsewhere is a draft, or an example, and has no others. The environment is that of one instance, and so it
    # is not asked for the others.
    if path.resolve().parent != Path(installed).resolve().parent:
        return {}
    return installed_instances(installed, but=path)


def has_neighbours(path: Path, installed: str) -> bool:
    """Return whether there are other settings in the folder of the installed ones, and these are among them."""
    folder = Path(installed).resolve().parent
    return path.resolve().parent == folder and len(list(folder.glob("*.toml"))) > 1


def installed_instances(installed: str, but: Path | None = None) -> dict[Path, Settings | None]:
    """Return the settings in the folder of the installed ones, without those in `but`; None for those refused."""
    instances: dict[Path, Settings | None] = {}
    for file in sorted(Path(installed).resolve().parent.glob("*.toml")):
        if but is not None and file.resolve() == but.resolve():
            continue
        try:
            instances[file] = load_settings(file, {})
        except ConfigError:
            instances[file] = None
    return instances
