"""Where things live: the data that comes along, the user's own folders."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = [
    "cache_dir", "charts_dir", "examples_dir", "rule_file", "sessions_dir", "settings_dir", "shared_dir", "week_sheet",
    "week_sheet_to_write",
]  # fmt: skip

_PACKAGE = Path(__file__).resolve().parent
#: Only an installed package has its data within; there other packages' files may lie beside it, a pyproject.toml too.
_CHECKOUT = None if (_PACKAGE / "data").is_dir() else _PACKAGE.parent


def _data_dir(name: str) -> Path:
    return _CHECKOUT / name if _CHECKOUT else _PACKAGE / "data" / name


def charts_dir() -> Path:
    """The instruments that come along."""
    return _data_dir("charts")


def examples_dir() -> Path:
    """The passages that come along, wherever `$COMPANION_SHARED` is."""
    return _data_dir("shared")


def shared_dir() -> Path:
    """Passages and week sheets: `$COMPANION_SHARED`, else the checkout's own folder, else those that come along."""
    return Path(os.environ.get("COMPANION_SHARED") or _data_dir("shared"))


def rule_file() -> Path:
    """The teacher's changes to the rules of practice; there need not be any."""
    return shared_dir() / "rules.toml"


def sessions_dir() -> Path:
    """The practice log: `$COMPANION_SESSIONS`, else `sessions/` of this checkout, else the user's data folder."""
    if chosen := os.environ.get("COMPANION_SESSIONS"):
        return Path(chosen)
    if _CHECKOUT:
        return _CHECKOUT / "sessions"
    from platformdirs import user_data_path

    return user_data_path("companion") / "sessions"


def settings_dir() -> Path:
    """What is remembered between runs (port and shift): `$COMPANION_SETTINGS`, else the user's config folder."""
    if chosen := os.environ.get("COMPANION_SETTINGS"):
        return Path(chosen)
    from platformdirs import user_config_path

    return user_config_path("companion")


def cache_dir() -> Path:
    """What can be made again (the index of the log, plots): `$COMPANION_CACHE`, else the user's cache folder."""
    if chosen := os.environ.get("COMPANION_CACHE"):
        return Path(chosen)
    from platformdirs import user_cache_path

    return user_cache_path("companion")


def week_sheet_to_write() -> Path:
    """What `week set` writes: in `$COMPANION_SHARED`, else the checkout's `shared/`, else the user's data folder."""
    if _CHECKOUT or os.environ.get("COMPANION_SHARED"):
        return shared_dir() / "week.toml"
    from platformdirs import user_data_path

    return user_data_path("companion") / "shared" / "week.toml"


def week_sheet() -> Path:
    """The week sheet to read: the one that `week set` writes, or as long as there is none the one that comes along."""
    own = week_sheet_to_write()
    return own if own.exists() else shared_dir() / "week.toml"
