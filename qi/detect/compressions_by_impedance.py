"""Chest compressions from the impedance between the pads: presence and instants, never depth."""

from qi.detect import filters, instants, quality, rhythm
from qi.detect.rhythm import Chain
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans


def from_impedance(
    impedance: Signal,
    chain: Chain,
    *,
    least_ohm: float,
    most_ohm: float,
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
    """Compressions from transthoracic impedance: onset and release half the median cycle of the run from each instant.

    Parameters: impedance [ohm]; chain, settings of the rhythm [ohm]; least_ohm, most_ohm, what pads on a chest can show [ohm];
    flat_s, still_s, noise_share, rail_share, blur_s, open_s, skipped_s, join_s, see instants.seen; use_tail_s, see
    quality.in_use, for an impedance recorded without its level [s].
    Returns: COMPRESSIONS without depth; known time: plausible pads impedance, apart from lost time and from time with a rhythm
    that is too weak to tell compressions from a heart.
    References: recipe and adaptive gate, signals research note sections 1.2 and 1.3; impedance does not tell depth, Alonso et
    al., Resuscitation 85 (2014) 637, as quoted in section 1.1; pads impedance as sign of use, measures section 1.
    Notes: compressions move the impedance either way, by patient and pads: of highs and lows those are the instants whose cycles
    are steadier. The instant may lie before or after the deepest point by one constant for the case (voting.lag_s). Where the
    file holds the movement without the level, pads on cannot be told, and known time runs from the first to the last compression.
    """
    work = [filters.block_means(piece, rate_hz=chain.working_rate_hz) for piece in impedance.pieces]
    bands = [rhythm.banded(piece, narrow_s=chain.narrow_s, wide_s=chain.wide_s) for piece in work]
    found = rhythm.find_either_way(bands, chain)
    events = instants.compressions_at(found.times_s, sensor=impedance.name, gap_s=chain.run_gap_s)
    used = _pads_on(work, least_ohm=least_ohm, most_ohm=most_ohm)
    if not used and len(events):
        first, last = events["onset_s"].iloc[0], events["release_s"].iloc[-1]
        used = quality.in_use(impedance.recorded, first_s=first, last_s=last, use_tail_s=use_tail_s)
    return instants.seen(
        impedance,
        found,
        events,
        used,
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


def _pads_on(work: list[Piece], *, least_ohm: float, most_ohm: float) -> Spans:
    """Time with a plausible pads impedance."""
    on = Spans()
    for piece in work:
        plausible = (piece.values >= least_ohm) & (piece.values <= most_ohm)
        on = on.union(Spans.where(plausible, start_s=piece.start_s, step_s=1 / piece.rate_hz))
    return on
