"""Configuration and pack files, checked as a whole before anything starts. Law: every fault is named in
one message, a line each, with the key's full path, the value and what is allowed; nothing is guessed.

`document` reads TOML and words the faults, `pack` turns a pack file into the domain's `Pack`, `daemon` the
configuration into `Config`. A leaf: domain, page and outlets never import it.
"""

from sagwise_daemon.config.daemon import Bike, Config, Mqtt, Page, RideSettings, Serial, Store, load_config
from sagwise_daemon.config.pack import built_in_pack, load_pack

__all__ = [
    "Bike",
    "Config",
    "Mqtt",
    "Page",
    "RideSettings",
    "Serial",
    "Store",
    "built_in_pack",
    "load_config",
    "load_pack",
]
