"""The installation that every game is played with: two boards on a pair, two handsets."""

from __future__ import annotations

from pathlib import Path

from controller.config.load import load_config
from controller.config.model import Config
from drivers.handset.keys import Keys
from tests.shared.key_files import write_keys

CONFIG = """
rules = "nfhs"
state_folder = "{folder}/state"
runtime_folder = "{folder}/run"
journal = "{folder}/state/journal.sqlite"
key_file = "{folder}/keys.toml"
controller_id = 7001

[[boards]]
name = "north"
driver = "node"
port = "/dev/boards"
node = 1

[[boards]]
name = "south"
driver = "node"
port = "/dev/boards"
node = 2

[[handsets]]
driver = "radio"
id = 1
role = "keeper"
layout = "twelve"
port = "/dev/receiver"

[[handsets]]
driver = "radio"
id = 2
role = "field"
layout = "four"
port = "/dev/receiver"
"""


def configured(folder: Path, keys: Keys) -> Config:
    """Make its files in ``folder`` and read them as the program does."""
    folder.mkdir(parents=True, exist_ok=True)
    write_keys(folder / "keys.toml", keys)
    path = folder / "playclock.toml"
    path.write_text(CONFIG.format(folder=folder), encoding="utf-8")
    return load_config(path)
