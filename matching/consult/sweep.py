"""`sweep`: a recording of any length, block by block; which of its events stray, and how sure."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import asdict

import numpy as np

from matching.conditioning import condition
from matching.consult.derive import all_cards
from matching.consult.progress import Progress, silent
from matching.consult.requests import Request
from matching.consult.shelves import Library, Shelf
from matching.sweep.cut import BLOCK, MARGIN_SHARE, Batch, Cutter, segments
from matching.sweep.find import Swept, find
from matching.sweep.good import GoodSpread, good_spread
from matching.sweep.odd import score_all
from matching.sweep.records import Against, Sweep
from matching.tools import Floats
from refdb import captures
from refdb.captures import Blocks
from refdb.cards import SystemCard, find_card
from refdb.catalogue import Catalogue
from refdb.errors import CaptureError
from refdb.records import Capture, Context

ALPHA = 0.05
# Columns of every event stay in memory, some hundred bytes each.
MOST_EVENTS = 2_000_000


def sweep_file(
    request: Request,
    *,
    catalogue: str | os.PathLike[str] | None = None,
    alpha: float = ALPHA,
    progress: Progress = silent,
    drawn: bool = False,
    block: int = BLOCK,
) -> Sweep:
    """Every event of a recording against its own usual one and the context's good references.

    drawn: keep curves for a picture.  block: samples over all channels in memory at once.
    Raises StraygaugeError for an unknown system, an unreadable file or catalogue, wrong channels.
    """
    card = find_card(request.context.system, all_cards(catalogue))
    context = Context(card.name, request.context.engine_family, request.context.condition)
    blocks = captures.open_blocks(request.file, request.options, block)
    size = max(block // max(len(blocks.channels), 1), 2)
    blocks = captures.open_blocks(request.file, request.options, size)
    hint, good, against = _known(card, context, blocks, request, catalogue, progress)
    cutter = Cutter(card, blocks.channels, blocks.rate_hz, blocks.source, hint)
    reader = _Reader(blocks, cutter, progress)
    events, grids, some = score_all(reader.batches(size // MARGIN_SHARE), good)
    if good is not None and some.shape[0]:
        usual = np.median(some, axis=0)[None]
        outside = int(np.sum(events.good > 1.0))
        against = Against(against.n_good, against.simulated, float(good.strays(usual)[0]), outside)
    swept = Swept(
        request.shown, context, cutter, reader.read, blocks.start_s, events, grids, some,
        blocks.remarks, _said(request),
    )  # fmt: skip
    return find(swept, against, alpha, drawn)


def _said(request: Request) -> dict[str, object]:
    """How the file was read, for JSON; `matching.consult.enrol_sweep` reads it the same way."""
    return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(request.options).items()}


class _Reader:
    """Reads and cuts; counts the samples it has read."""

    def __init__(self, blocks: Blocks, cutter: Cutter, progress: Progress) -> None:
        self.blocks, self.cutter, self.progress = blocks, cutter, progress
        self.read = 0

    def batches(self, margin: int) -> Iterator[Batch]:
        """The events of each segment. Raises CaptureError for more than can be held."""
        count = 0
        for segment in segments(self._samples(), margin):
            batch = self.cutter.cut(segment)
            count += batch.n
            if count > MOST_EVENTS:
                raise CaptureError(
                    f"{self.blocks.source}: expected at most {MOST_EVENTS} "
                    f"{self.cutter.card.events.unit_name}s, found more; cut the recording shorter"
                )
            yield batch

    def _samples(self) -> Iterator[tuple[int, Floats]]:
        total = self.blocks.n_samples
        for at, samples in self.blocks:
            self.read = at + samples.shape[1]
            self.progress("samples read", self.read, max(total or 0, self.read))
            yield at, samples


def _known(
    card: SystemCard, context: Context, blocks: Blocks, request: Request,
    catalogue: str | os.PathLike[str] | None, progress: Progress,
) -> tuple[dict[str, float], GoodSpread | None, Against]:  # fmt: skip
    """The context's hint and good spread; the references themselves are let go before reading."""
    with Catalogue.open(catalogue) as opened:
        shelf = Library(opened, progress).shelf(card)
    return dict(shelf.hint(context)), *_good(card, shelf, context, blocks, request)


def _good(
    card: SystemCard, shelf: Shelf, context: Context, blocks: Blocks, request: Request
) -> tuple[GoodSpread | None, Against]:
    """The good spread of exactly this context; levels of another one would mislead."""
    probe = Capture(
        np.zeros((len(blocks.channels), 4)), blocks.rate_hz, blocks.channels, None, 1.0, 1.0,
        blocks.source, "",
    )  # fmt: skip
    signal = condition(card, probe)
    coupling = request.options.coupling
    near = [
        r
        for r in shelf.references
        if r.context == context and r.label == "good" and r.id in shelf.profiles
        and (shelf.profiles[r.id].roles, shelf.profiles[r.id].units)
        == (signal.roles, signal.units)
        and (coupling is None or r.coupling in (None, coupling))
    ]  # fmt: skip
    captured = [r for r in near if not r.simulated]
    for pool in (captured, near):
        spread = good_spread([shelf.profiles[r.id] for r in pool], [r.vehicle for r in pool])
        if spread is not None:
            simulated = any(r.simulated for r in pool)
            return spread, Against(spread.n_good, simulated, None, 0)
    where = f"{context.engine_family or 'no family'}, {context.condition or 'no condition'}"
    return None, Against(
        0, False, None, 0,
        f"too few good references for {where}: compared with the recording itself only",
    )  # fmt: skip
