"""What happened in an invented resuscitation: plain lists of events, the truth that every recording and every answer is made from.

A Plan says what a crew meant to do; `play` lets it happen, with the scatter of hands and bags; `draw` makes a random Plan first.
Published magnitudes stand beside the numbers with their source as named in the project's notes on signals and CPR numbers.
"""

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone

import numpy as np

from tests.simulator import body
from tests.simulator.troubles import Trouble

# No pause follows another within fewer compressions than this: a shock keeps a stack of its own.
LEAST_RUN = 6


@dataclass(frozen=True)
class Compression:
    """One compression: onset, deepest point, end of the upstroke [s]; deepest and left-over depth [mm]; force left over [N]."""

    onset_s: float
    time_s: float
    release_s: float
    depth_mm: float
    residual_mm: float
    residual_n: float


@dataclass(frozen=True)
class Breath:
    """One insufflation: start [s], inward flow [s], volume into the lung [mL], CO2 at the end of the exhalation after it [mmHg]."""

    time_s: float
    insufflation_s: float
    volume_ml: float
    etco2_mmhg: float = 0.0


@dataclass(frozen=True)
class Pause:
    """Hands off the chest between two runs [s], and what for."""

    start_s: float
    end_s: float
    cause: str


@dataclass(frozen=True)
class Happening:
    """Anything a person or a monitor would mark: type and value in the words of the case format."""

    time_s: float
    type: str
    value: str = ""
    dose: float | None = None
    unit: str = ""
    by: str = ""


@dataclass(frozen=True)
class Plan:
    """What a crew meant to do, and how steady they are. Times are seconds from the first sample.

    stops is (time, cause, seconds) for pauses apart from breaths and checks; shocks is the energy [J] given at the n-th rhythm
    check, by n from 0; rosc_s and rearrest_s are taken at the next check; leak_spans is where the mask does not seal.
    A machine compresses from machine_s on (None: hands throughout). ripple_kind is I (plateau), II (baseline), III (both), or ""
    for the gas that a recoil draws past the sensor. impedance_ohm is what a usual compression moves the impedance by; the
    recorder's clock gains clock_ppm; on a mattress the accelerometer moves further than the chest by mattress_share.
    """

    id: str
    start: datetime
    length_s: float
    first_s: float
    last_s: float
    crew: tuple[str, ...] = ("C-104", "C-233", "C-310")
    age_years: float = 60.0
    rate_per_min: float = 110.0
    cycle_cv: float = 0.03
    down_share: float = 0.46
    rest: float = 0.14
    depth_mm: tuple[float, ...] = (52.0, 52.5, 51.5)
    depth_sd_mm: float = 2.0
    tires_mm_per_min: float = 2.3
    lean_share: float = 0.05
    lean_mm: tuple[float, float] = (6.0, 12.0)
    stiffness: tuple[float, float] = body.STIFFNESS
    ratio: int = 30
    breath_chances: tuple[float, ...] = (0.0, 0.05, 0.92, 0.03)
    breath_s: float = 1.0
    breath_sd_s: float = 0.08
    volume_ml: float = 450.0
    exhale_s: float = 0.9
    continuous_s: float | None = None
    breath_every_s: float = 6.0
    breath_cv: float = 0.1
    check_every_s: float = 120.0
    check_s: float = 7.0
    pre_shock_s: float = 4.0
    post_shock_s: float = 3.0
    shocks: tuple[tuple[int, float], ...] = ()
    rhythms: tuple[tuple[float, str], ...] = ((0.0, "asystole"),)
    stops: tuple[tuple[float, str, float], ...] = ()
    extra: tuple[Happening, ...] = ()
    leak_spans: tuple[tuple[float, float], ...] = ()
    rosc_s: float | None = None
    rearrest_s: float | None = None
    closing: str = "terminated"
    capnography_s: float = 60.0
    co2_gain: float = 1.0
    co2_delay_s: float = 0.2
    ripple_share: float = 0.42
    itd_seal: float = 1.0
    gasps_after_rosc: bool = False
    gaps: tuple[tuple[float, float], ...] = ()
    flats: tuple[tuple[str, float, float], ...] = ()
    machine_s: float | None = None
    machine_per_min: float = 101.0
    machine_mm: float = 53.0
    ripple_kind: str = ""
    impedance_ohm: float | None = None
    mattress_share: float = 0.0
    clock_ppm: float = 0.0
    troubles: tuple[Trouble, ...] = ()


@dataclass(frozen=True)
class Truth:
    """All that happened. arrest is the stretches without circulation, from the first compression or the re-arrest on [s]."""

    plan: Plan
    seed: int
    compressions: tuple[Compression, ...]
    breaths: tuple[Breath, ...]
    pauses: tuple[Pause, ...]
    happenings: tuple[Happening, ...]
    arrest: tuple[tuple[float, float], ...]
    pulse: tuple[tuple[float, float], ...] = ()

    def at(self, type_: str, value: str | None = None) -> list[float]:
        """Times of all happenings of a type, and of a value where one is given [s]."""
        return [h.time_s for h in self.happenings if h.type == type_ and value in (None, h.value)]

    def device_spans(self, kind: str) -> list[tuple[float, float]]:
        """When a device was on [s]; to the end of the recording where it was not taken off."""
        offs = [*self.at("device_off", kind), self.plan.length_s]
        return [(on, min(off for off in offs if off > on)) for on in self.at("device_on", kind)]


@dataclass
class _Walk:
    """The crew at work: where in time they are, who is on the chest since when, and what has been written down so far."""

    plan: Plan
    rng: np.random.Generator
    now_s: float
    turn: int = 0
    turn_from_s: float = 0.0
    swing: float = 0.0
    since_breaths: int = 0
    since_pause: int = 0
    checks: int = 0
    next_check_s: float = 0.0
    pulse_from_s: float | None = None
    compressions: list[Compression] = field(default_factory=list)
    breaths: list[Breath] = field(default_factory=list)
    pauses: list[Pause] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)
    pulse: list[tuple[float, float]] = field(default_factory=list)

    def mark(self, time_s: float, type_: str, value: str = "", unit: str = "", by: str = "") -> None:
        self.happenings.append(Happening(round(time_s, 2), type_, value, unit=unit, by=by))

    def push(self) -> None:
        """One compression; the next may start when its cycle is over."""
        plan, rng = self.plan, self.rng
        if plan.machine_s is not None and self.now_s >= plan.machine_s:
            self.press()
            return
        self.swing = 0.5 * self.swing + rng.normal(0, plan.cycle_cv * np.sqrt(0.75))
        slow = 1.08 if self.now_s - self.turn_from_s < 1.2 else 1.0
        cycle = 60 / plan.rate_per_min * slow * (1 + float(np.clip(self.swing, -0.12, 0.12)))
        active = cycle * (1 - plan.rest)
        tired = plan.tires_mm_per_min * max(0.0, (self.now_s - self.turn_from_s - 75) / 60)
        depth = plan.depth_mm[self.turn % len(plan.depth_mm)] - tired + rng.normal(0, plan.depth_sd_mm)
        leans = rng.random() < plan.lean_share
        left = float(rng.uniform(*plan.lean_mm) if leans else abs(rng.normal(0, 0.9)))
        onset = self.now_s
        force = float(body.static_force_n(left, plan.stiffness))
        self.compressions.append(
            Compression(onset, onset + active * plan.down_share, onset + active, float(max(depth, 22.0)), left, force)
        )
        self.now_s = onset + cycle
        self.since_breaths += 1
        self.since_pause += 1

    def press(self) -> None:
        """One compression by a machine: rate within 0.3 %, no tiring, no leaning (notes on signals, section 7)."""
        plan, rng = self.plan, self.rng
        cycle = 60 / plan.machine_per_min * (1 + float(rng.normal(0, 0.003)))
        onset, depth = self.now_s, plan.machine_mm + float(rng.normal(0, 0.5))
        self.compressions.append(Compression(onset, onset + 0.42 * cycle, onset + 0.88 * cycle, depth, 0.0, 0.0))
        self.now_s = onset + cycle
        self.since_breaths += 1
        self.since_pause += 1

    def lift(self) -> float:
        """Hands leave the chest altogether: nothing is left over after the last compression. Returns its release [s]."""
        if not self.compressions:
            return self.now_s
        self.compressions[-1] = replace(self.compressions[-1], residual_mm=0.0, residual_n=0.0)
        return self.compressions[-1].release_s

    def rest_until(self, until_s: float, cause: str) -> None:
        """Close a pause that began at the last release; lengths close to the 10-s limit are kept off it."""
        start = self.lift()
        if 9.5 < until_s - start < 10.5:
            until_s = start + 9.4
        self.pauses.append(Pause(start, until_s, cause))
        self.now_s, self.since_pause = until_s, 0

    def give_breaths(self, from_s: float) -> float:
        """Breaths of one ventilation pause. Returns when the bag is let go for good [s]."""
        plan, rng = self.plan, self.rng
        at = from_s + float(rng.uniform(0.4, 0.8))
        for _ in range(int(rng.choice(len(plan.breath_chances), p=plan.breath_chances))):
            flow = float(np.clip(rng.normal(plan.breath_s, plan.breath_sd_s), 0.5, 3.0))
            self.breaths.append(Breath(at, flow, float(max(120.0, rng.normal(plan.volume_ml, 50)))))
            at += flow + plan.exhale_s * float(rng.uniform(0.85, 1.25))
        return at

    def ventilation_pause(self) -> None:
        start = self.lift()
        self.rest_until(max(self.give_breaths(start) - float(self.rng.uniform(0.2, 0.5)), start + 2.2), "ventilation")
        self.since_breaths = 0

    def change(self, at_s: float) -> None:
        self.turn += 1
        self.turn_from_s = at_s
        self.mark(at_s - 0.5, "compressor_changed", by=self.plan.crew[self.turn % len(self.plan.crew)])

    def rhythm_now(self) -> str:
        return [word for since, word in self.plan.rhythms if since <= self.now_s][-1]

    def check(self) -> None:
        """Rhythm check with a change of compressor, a shock where one is planned, or a pulse found."""
        plan, start = self.plan, self.lift()
        word = self.rhythm_now()
        self.mark(start + 0.8, "rhythm_check")
        self.mark(start + 2.2, "rhythm", word)
        energy = dict(plan.shocks).get(self.checks)
        self.checks += 1
        self.next_check_s = self.now_s + plan.check_every_s
        if plan.rosc_s is not None and self.now_s >= plan.rosc_s and not self.pulse:
            self.find_pulse(start)
        elif energy is not None:
            self.mark(start - 6.0, "charge", f"{energy:g}", "J")
            shock = start + max(2.4, plan.pre_shock_s * float(self.rng.uniform(0.85, 1.15)))
            self.mark(shock, "shock", f"{energy:g}", "J")
            self.rest_until(shock + plan.post_shock_s * float(self.rng.uniform(0.85, 1.15)), "shock")
            self.change(self.now_s)
        else:
            self.rest_until(start + max(3.0, plan.check_s * float(np.exp(self.rng.normal(0, 0.25)))), "rhythm_check")
            self.change(self.now_s)

    def find_pulse(self, start: float) -> None:
        """ROSC at a check: hands stay off until the re-arrest, or for good."""
        plan = self.plan
        self.mark(start + 4.0, "pulse_check")
        rosc = round(start + 7.0, 2)
        self.mark(rosc, "rosc")
        again = plan.rearrest_s if plan.rearrest_s is not None else plan.length_s
        self.pulse.append((rosc, again))
        self.pauses.append(Pause(start, rosc, "rhythm_check"))
        if plan.rearrest_s is None:
            self.now_s = plan.length_s
            return
        self.mark(again, "rearrest")
        self.now_s = again + 4.0
        self.pauses.append(Pause(again, self.now_s, "unknown"))
        self.turn_from_s = self.now_s
        self.next_check_s = self.now_s + plan.check_every_s
        self.since_breaths = 0


def play(plan: Plan, seed: int) -> Truth:
    """Let a plan happen, with the scatter that this seed gives."""
    walk = _Walk(plan, np.random.default_rng(seed), plan.first_s, turn_from_s=plan.first_s)
    walk.next_check_s = plan.first_s + plan.check_every_s
    stops = list(plan.stops)
    continuous = np.inf if plan.continuous_s is None else plan.continuous_s
    while walk.now_s < plan.last_s:
        if walk.since_pause < LEAST_RUN:
            walk.push()
        elif stops and walk.now_s >= stops[0][0]:
            _, cause, seconds = stops.pop(0)
            walk.rest_until(walk.lift() + seconds, cause)
        elif walk.now_s >= walk.next_check_s:
            walk.check()
        elif walk.since_breaths >= plan.ratio and walk.now_s < continuous:
            walk.ventilation_pause()
        else:
            walk.push()
    walk.lift()
    return _closed(walk, seed)


def _closed(walk: _Walk, seed: int) -> Truth:
    """Add what does not depend on the hands: the bag on its own beat, marks, the end, CO2."""
    plan, rosc = walk.plan, [h.time_s for h in walk.happenings if h.type == "rosc"]
    arrest = [(walk.compressions[0].onset_s, rosc[0] if rosc else 0.0)]
    if not rosc or plan.rearrest_s is not None:
        end = round(walk.compressions[-1].release_s + 5.0, 2)
        if plan.closing == "terminated":
            walk.mark(end - 3.5, "pulse_check")
        walk.mark(end, plan.closing)
        walk.pauses.append(Pause(walk.compressions[-1].release_s, end, "unknown"))
        arrest = [(arrest[0][0], end)] if not rosc else [arrest[0], (float(plan.rearrest_s or 0.0), end)]
    happenings = sorted([*walk.happenings, *plan.extra], key=lambda h: h.time_s)
    stop = plan.length_s if rosc and plan.rearrest_s is None else arrest[-1][1]
    breaths = sorted([*walk.breaths, *_bagging(plan, walk.rng, rosc, stop)], key=lambda b: b.time_s)
    co2 = body.end_tidal_mmhg(plan, walk.compressions, breaths, walk.pulse)
    breaths = [replace(breath, etco2_mmhg=value) for breath, value in zip(breaths, co2, strict=True)]
    compressions, pauses = tuple(walk.compressions), tuple(walk.pauses)
    return Truth(plan, seed, compressions, tuple(breaths), pauses, tuple(happenings), tuple(arrest), tuple(walk.pulse))


def _bagging(plan: Plan, rng: np.random.Generator, rosc: list[float], stop_s: float) -> list[Breath]:
    """Breaths that go on through compressions and pauses, each on the beat of the bag."""
    begins = [time for time in (plan.continuous_s, rosc[0] + 3.0 if rosc else None) if time is not None]
    out: list[Breath] = []
    at = min(begins, default=np.inf) + 1.0
    while at < stop_s - 3.0:
        flow = float(np.clip(rng.normal(plan.breath_s, plan.breath_sd_s), 0.5, 3.0))
        out.append(Breath(at, flow, float(max(120.0, rng.normal(plan.volume_ml, 50)))))
        at += max(flow + 0.6, plan.breath_every_s * (1 + float(rng.normal(0, plan.breath_cv))))
    return out


def draw(seed: int) -> Truth:
    """A random case, in memory: section 7 of the notes on signals (schedule, timing, depth, lean, ventilation, loss).

    Between-case rate 112 ± 19 and depth 42 ± 12 mm (n 10 371 and 6 399, trial cohort); pauses before and after a shock 15 (8 to 22)
    and 6 (4 to 9) s (Cheskes 2014); leaning over 2.5 kgf in 12 % of compressions, very uneven between cases (Fried 2011).
    """
    rng = np.random.default_rng([seed, 77])
    first, last = float(rng.uniform(20, 60)), float(rng.uniform(900, 1800))
    advanced = float(rng.uniform(500, 900)) if rng.random() < 0.8 else None
    shockable = bool(rng.random() < 0.35)
    rosc = float(last - 200) if rng.random() < 0.35 else None
    itd_on = float(rng.uniform(90, 400)) if rng.random() < 0.6 else None
    hyper = bool(rng.random() < 0.25)
    depth = float(np.clip(rng.normal(45, 9), 28, 66))
    extra = []
    if itd_on is not None:
        extra.append(Happening(round(itd_on, 2), "device_on", "itd"))
    extra.append(Happening(60.0, "device_on", "capnography"))
    if advanced is not None:
        extra.append(Happening(round(advanced, 2), "airway_placed", "supraglottic" if rng.random() < 0.6 else "tracheal_tube"))
    pause = float(np.clip(rng.lognormal(np.log(12), 0.5), 4, 45))
    plan = Plan(
        id=f"draw-{seed}",
        start=datetime(2031, 1, 1, 8, tzinfo=timezone(timedelta(hours=-7))) + timedelta(hours=seed),
        length_s=last + 60.0,
        first_s=first,
        last_s=last,
        rate_per_min=float(np.clip(rng.normal(112, 14), 84, 148)),
        cycle_cv=float(rng.uniform(0.02, 0.045)),
        down_share=float(rng.uniform(0.40, 0.52)),
        rest=float(rng.uniform(0.05, 0.2)),
        depth_mm=tuple(float(depth + rng.normal(0, 4)) for _ in range(3)),
        depth_sd_mm=0.05 * depth,
        lean_share=float(rng.beta(0.5, 3.2)),
        breath_chances=(0.6, 0.2, 0.2, 0.0) if rng.random() < 0.3 else (0.12, 0.13, 0.68, 0.07),
        breath_s=float(np.clip(rng.normal(0.95, 0.2), 0.6, 1.8)),
        volume_ml=float(np.clip(rng.normal(430, 90), 250, 650)),
        continuous_s=advanced,
        breath_every_s=60 / float(rng.uniform(20, 30) if hyper else np.clip(rng.normal(12, 3), 5, 19)),
        breath_cv=float(rng.uniform(0.05, 0.2)),
        check_s=float(np.clip(rng.lognormal(np.log(8), 0.3), 4, 25)),
        pre_shock_s=float(np.clip(rng.lognormal(np.log(15), 0.6), 3, 45)),
        post_shock_s=float(np.clip(rng.lognormal(np.log(6), 0.5), 2, 25)),
        shocks=((0, 200.0), (1, 300.0), (2, 360.0)) if shockable else (),
        rhythms=((0.0, "VF"), (first + 370, "PEA")) if shockable else ((0.0, "asystole" if rng.random() < 0.6 else "PEA"),),
        stops=() if advanced is None else ((advanced - pause, "airway", pause),),
        extra=tuple(extra),
        rosc_s=rosc,
        co2_gain=float(rng.uniform(0.5, 1.5)),
        co2_delay_s=float(rng.uniform(0.0, 3.0)),
        ripple_share=float(rng.choice([0.0, 0.42, 1.0])),
        itd_seal=float(rng.uniform(0.4, 1.2)),
    )
    return play(plan, seed)
