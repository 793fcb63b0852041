"""Cases written by hand as event lists, whose pauses and breaths are known because they were put there."""

from itertools import cycle, pairwise

from qi import pipeline

CYCLE_S = 0.55


def pressed(pauses, end_s=600.0, cycles_s=(CYCLE_S,)):
    """Moments of compressions from 2 s on, one cycle after the other in turn, with none in the pauses (start, seconds, …)."""
    found, now, turn = [], 2.0, cycle(cycles_s)
    while now < end_s - 2:
        stop = next((one for one in pauses if one[0] <= now < one[0] + one[1]), None)
        if stop:
            now = stop[0] + stop[1]
        else:
            found.append(round(now, 3))
            now += next(turn)
    return found


def lengths(pauses, **named):
    """How long each pause is that is over 2 s, from release to onset: the gap without the half cycles around it [s]."""
    return [later - earlier - CYCLE_S for earlier, later in pairwise(pressed(pauses, **named)) if later - earlier > 2]


def measured(folder, pauses=(), *, age=60, breaths=(), extra=(), end_s=600.0, cycles_s=(CYCLE_S,)):
    """The review of such a case; pauses as (start, seconds, event type that tells its cause or empty); cycles_s, see pressed."""
    rows = [(0.0, "arrest_recognised", ""), (end_s, "rosc", ""), *extra]
    rows += [(time, "compression", "") for time in pressed(pauses, end_s, cycles_s)]
    rows += [(start + seconds / 2, told, "") for start, seconds, told in pauses if told]
    rows += [(float(time), "ventilation", "") for time in breaths]
    lines = "".join(f"{time},{what},{value}\n" for time, what, value in sorted(rows))
    (folder / "events.csv").write_text("time_s,type,value\n" + lines, encoding="utf-8")
    patient = f"[patient]\nage_years = {age}\n" if age is not None else ""
    (folder / "case.toml").write_text(f'id = "made"\n{patient}[crew]\nmembers = ["C-901", "C-902"]\n', encoding="utf-8")
    return pipeline.measure_case(folder)
