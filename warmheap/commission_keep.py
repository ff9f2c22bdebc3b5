"""Keeps a session that goes on in the state folder, and takes it up again after whatever cut it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from controller.commissioning import Commissioning
from controller.settings import ControllerSettings

from .restart import Moment, gap
from .settings_store import TwoCopies

EVERY_S = 5.0
LONGEST_CUT_S = 6 * 3600.0  # later the pile and what stands in the pipes are others
USUAL_CORE_K = 1.0


@dataclass(frozen=True, slots=True)
class TakenUp:
    """A session, the time its plant begins with, the kept plant if it was simulated, and what is to be said."""

    session: Commissioning
    time_s: float
    plant: Mapping[str, Any] | None = None
    said: tuple[str, ...] = ()


class SessionKeeper:
    """The session in two checksummed copies. ``about`` is the text of the settings: with others it begins anew."""

    def __init__(self, state: Path, about: str) -> None:
        self._copies = TwoCopies(state, "commission")
        self._about = hashlib.sha256(about.encode()).hexdigest()

    def text(self, session: Commissioning, time_s: float, plant: Mapping[str, Any] | None, moment: Moment) -> str:
        """What ``take_up`` goes on from."""
        kept = {"session": session.snapshot(), "time_s": time_s, "plant": plant, "about": self._about}
        return json.dumps(kept | asdict(moment), allow_nan=False)

    def save(self, text: str) -> None:
        """Keep a text; ``OSError``."""
        self._copies.save(text)

    def drop(self) -> bool:
        """The session is over, or given up; False when none was kept."""
        return self._copies.drop()

    def take_up(self, settings: ControllerSettings, core_k: float | None, moment: Moment) -> TakenUp:
        """Go on where the kept session was, its cut stage from the beginning; else a new one, and why. Never raises."""
        found = self._copies.load()
        said = [found.said] if found.said else []
        new = Commissioning(settings, USUAL_CORE_K if core_k is None else core_k)
        if found.text is None:
            return TakenUp(new, moment.wall_s, None, tuple(said))
        try:
            return self._again(json.loads(found.text), settings, core_k, moment)
        except (ValueError, KeyError, TypeError, RecursionError) as wrong:
            said.append(f"the session that was cut is not taken up: {wrong}. A new one begins")
            return TakenUp(new, moment.wall_s, None, tuple(said))

    def _again(
        self, kept: Mapping[str, Any], settings: ControllerSettings, core_k: float | None, moment: Moment
    ) -> TakenUp:
        if kept["about"] != self._about:
            raise ValueError("the settings file was changed since")
        gap_s, doubt = gap(kept, moment)
        if kept["plant"] is not None:
            gap_s, doubt = 0.0, ""  # simulated time stood still
        time_s = float(kept["time_s"]) + gap_s
        if not isfinite(time_s) or gap_s > LONGEST_CUT_S:
            raise ValueError(f"that was {gap_s / 3600.0:.0f} hours ago")
        session = Commissioning.restore(settings, kept["session"], core_k)
        session.take_up()
        said = f"taken up again after {gap_s:.0f} s{doubt}; stage {session.stage!r} begins anew"
        return TakenUp(session, time_s, kept["plant"], (said,))
