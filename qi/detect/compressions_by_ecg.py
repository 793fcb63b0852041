"""Chest compressions from their artefact in the ECG: a witness to break ties, never to be heard alone."""

from qi.detect import filters, instants, rhythm
from qi.detect.rhythm import Chain
from qi.model.case import Signal
from qi.model.seen import Seen
from qi.model.spans import Spans


def from_ecg(
    ecg: Signal,
    chain: Chain,
    *,
    sharp_s: float,
    most_sharp: float,
    flat_s: float,
    still_s: float,
    noise_share: float,
    rail_share: float,
    blur_s: float,
    open_s: float,
    skipped_s: float,
    join_s: float,
) -> Seen:
    """Compressions from the ECG, where no heart hides them: onset and release half the median cycle of the run from each instant.

    Parameters: ecg [mV]; chain, settings of the rhythm [mV]; sharp_s, standard deviation of the Gaussian mean that a
    compression's artefact passes and a heart's complex does not [s]; most_sharp, largest size of what that mean takes away, as a
    share of the band's size, with which the artefact can be told from a heart; flat_s, still_s, noise_share, rail_share, open_s,
    skipped_s, join_s, see instants.seen.
    Returns: COMPRESSIONS without depth; known time: from the first to the last artefact, without the time in which VF or
    complexes hide it.
    References: periodic artefact, its modest predictive value and its use for ties only, signals research note section 1.2.
    Notes: a smooth wide rhythm (PEA) can look just like the artefact. That there is no artefact does not prove a pause.
    """
    work = [filters.block_means(piece, rate_hz=chain.working_rate_hz) for piece in ecg.pieces]
    bands = [rhythm.banded(piece, narrow_s=chain.narrow_s, wide_s=chain.wide_s) for piece in work]
    blind = []
    for piece, band in zip(work, bands, strict=True):
        sharp = filters.smoothed(piece.values, sigma=sharp_s * piece.rate_hz)
        blind.append(rhythm.sizes(piece.values - sharp, band, chain) > most_sharp * rhythm.sizes(band.values, band, chain))
    found = rhythm.find_either_way(bands, chain, blind=blind)
    events = instants.compressions_at(found.times_s, sensor=ecg.name, gap_s=chain.run_gap_s)
    used = Spans.of(zip(events["onset_s"][:1], events["release_s"][-1:], strict=True)).overlap(ecg.recorded)
    return instants.seen(
        ecg,
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
