"""The websocket feed: the same snapshots as the show engine's, for engines that prefer a socket. Shell (aiohttp).

Read-only and by token. A slow reader gets the newest snapshot, never a queue. The layout is in FEED.md.
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass

from aiohttp import web

from aggregator.outputs.feed_layout import encode_binary, encode_json, encode_linkage, section_names
from aggregator.outputs.newest import Newest, ReaderCounts, serve_newest
from aggregator.outputs.osc import is_open
from aggregator.snapshot import Snapshot
from relay.seat_plan import SeatPlan

MIN_TOKEN_CHARACTERS = 16  # long enough that guessing over a network is hopeless


@dataclass(frozen=True, slots=True)
class FeedSettings:
    """``token``: what a reader must show; "" leaves the feed off. ``max_readers`` at once. ``json_seats_max``: above
    this size a snapshot as text costs the service too much, and readers are asked to take the binary form."""

    token: str = ""
    max_readers: int = 16
    json_seats_max: int = 2_500

    def problems(self) -> list[str]:
        """Every setting that cannot be used: its key, what was found (never the token) and what is allowed."""
        found = []
        if self.token and len(self.token) < MIN_TOKEN_CHARACTERS:
            found.append(f"token: found {len(self.token)} characters, allowed none (off) or {MIN_TOKEN_CHARACTERS} up")
        if not 1 <= self.max_readers <= 1000:
            found.append(f"max_readers: found {self.max_readers}, allowed 1..1000")
        if not 0 <= self.json_seats_max <= 20_000:
            found.append(f"json_seats_max: found {self.json_seats_max}, allowed 0..20000")
        return found


class Feed:
    """``handler`` answers ``GET /feed``; ``publish`` hands every reader the newest snapshot.

    A form is encoded only while somebody reads it, once for all its readers.

    Raises:
        ValueError: settings out of range.
    """

    def __init__(self, plan: SeatPlan, settings: FeedSettings | None = None) -> None:
        self.settings = settings or FeedSettings()
        if problems := self.settings.problems():
            raise ValueError("; ".join(problems))
        self._plan = plan
        self._open: Snapshot | None = None  # the newest, in a part whose outputs are open
        self._json: Newest[str] = Newest()
        self._binary: Newest[bytes] = Newest()
        self.counts = {form: ReaderCounts(self.settings.max_readers) for form in ("json", "binary")}

    def publish(self, snapshot: Snapshot) -> None:
        """Make this the newest snapshot."""
        self._open = snapshot if is_open(snapshot.part) else None
        if self.counts["json"].readers:
            self._json.publish(encode_json(snapshot))
        else:
            self._json.forget()
        if self.counts["binary"].readers:
            self._binary.publish(encode_binary(snapshot))
        else:
            self._binary.forget()

    async def handler(self, request: web.Request) -> web.StreamResponse:
        """``/feed?token=...`` as JSON text, ``/feed?form=binary&token=...``, ``/feed?form=plan`` once for names, or
        ``/feed?form=linkage`` for how alike the seats move with the performers."""
        form = request.query.get("form", "json")
        if (refusal := self._refusal(request, form)) is not None:
            if form in self.counts:
                self.counts[form].refused += 1
            return refusal
        if form == "plan":
            return web.json_response(section_names(self._plan))
        if form == "linkage":
            return web.Response(body=encode_linkage(self._open), content_type="application/json")
        if form == "json":
            return await serve_newest(request, self._json, self.counts["json"])
        return await serve_newest(request, self._binary, self.counts["binary"])

    def _refusal(self, request: web.Request, form: str) -> web.Response | None:
        if not self.settings.token:
            return web.Response(status=404, text="The feed is off: outputs.feed_token_file names a token.\n")
        shown = request.query.get("token", "") or request.headers.get("Authorization", "").removeprefix("Bearer ")
        if not hmac.compare_digest(shown.encode(errors="replace"), self.settings.token.encode()):
            return web.Response(status=401, text="Wrong or missing token.\n")
        if form not in ("json", "binary", "plan", "linkage"):
            return web.Response(status=400, text="form: allowed are json, binary, plan and linkage.\n")
        if form == "json" and self._plan.seats > self.settings.json_seats_max:
            text = f"JSON carries up to {self.settings.json_seats_max} seats, this house has {self._plan.seats}: "
            return web.Response(status=400, text=text + "read ?form=binary.\n")
        if sum(c.readers for c in self.counts.values()) >= self.settings.max_readers:
            return web.Response(status=503, text=f"All {self.settings.max_readers} places for readers are taken.\n")
        return None
