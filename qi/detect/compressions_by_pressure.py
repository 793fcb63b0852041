"""Chest compressions from the airway pressure that they ride on: presence and instants, between and during breaths."""

import numpy as np

from qi.detect import filters, instants, pauses, quality, rhythm
from qi.detect.rhythm import Chain
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans


def from_pressure(
    pressure: Signal,
    chain: Chain,
    *,
    least_breath_cmh2o: float,
    rest_quantile: float,
    blind_s: float,
    flat_s: float,
    still_s: float,
    noise_share: float,
    rail_share: float,
    blur_s: float,
    open_s: float,
    skipped_s: float,
    join_s: float,
    use_tail_s: float,
) -> Seen:
    """Compressions from airway pressure: onset and release half the median cycle of the run from each instant.

    Parameters: pressure [cmH2O]; chain, settings of the rhythm, its band narrow enough to leave breaths out [cmH2O];
    least_breath_cmh2o, how far above its rest the pressure shows a breath [cmH2O]; rest_quantile, quantile of the pressure that
    is its rest; blind_s, longest time without compressions or breaths in which the airway is still held to be connected [s];
    flat_s, still_s, noise_share, rail_share, blur_s, open_s, skipped_s, join_s, see instants.seen; use_tail_s, see quality.in_use
    [s].
    Returns: COMPRESSIONS without depth; known time, for which compressions and breaths are the signs of use.
    References: airway pressure as a sensor of compressions, signals research note section 1.2 (measured on simulated signals
    there).
    Notes: the pressure is highest while the chest goes down, so that the instant lies before the deepest point by one constant
    for the case (voting.lag_s).
    """
    work = [filters.block_means(piece, rate_hz=chain.working_rate_hz) for piece in pressure.pieces]
    bands = [rhythm.banded(piece, narrow_s=chain.narrow_s, wide_s=chain.wide_s) for piece in work]
    found = rhythm.find(bands, chain)
    events = instants.compressions_at(found.times_s, sensor=pressure.name, gap_s=chain.run_gap_s)
    signs = pauses.runs(events, gap_s=chain.run_gap_s)
    signs = signs.union(_breaths(work, least=least_breath_cmh2o, rest_quantile=rest_quantile))
    used = quality.in_use(pressure.recorded, first_s=signs.hull.start_s, last_s=signs.hull.end_s, use_tail_s=use_tail_s)
    return instants.seen(
        pressure,
        found,
        events,
        used.minus(signs.gaps().longer_than(blind_s)) if signs else signs,
        gap_s=chain.run_gap_s,
        flat_s=flat_s,
        still_s=still_s,
        noise_share=noise_share,
        rail_share=rail_share,
        blur_s=blur_s,
        open_s=open_s,
        skipped_s=skipped_s,
        join_s=join_s,
    )


def _breaths(work: list[Piece], *, least: float, rest_quantile: float) -> Spans:
    """Time in which the pressure stands as far above its rest as only a breath brings it, by means of half a second."""
    slow = [filters.boxed(piece.values, length=0.5 * piece.rate_hz)[::5] for piece in work]
    everything = np.concatenate([np.zeros(0), *slow])
    if not len(everything):
        return Spans()
    level = float(np.quantile(everything, rest_quantile)) + least
    found = Spans()
    for piece, trace in zip(work, slow, strict=True):
        found = found.union(Spans.where(trace > level, start_s=piece.start_s, step_s=5 / piece.rate_hz))
    return found
