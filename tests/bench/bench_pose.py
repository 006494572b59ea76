"""The pose over random lifts: errors against the truth and the steady limit, honesty of the errors, and who is blamed.

python tests/bench/bench_pose.py [LIFTS] [KIND...]    (500 of each kind unless said; two minutes a kind on two cores)

Every lift has a rig of its own: size, slant of the hinge, three or four heights of every mounting, two or three
inclinometers, noise, rates of 8 to 25 a second with a tenth of jitter, and a load that is not level. In a lift of bias one sensor
jumps by ten standard deviations and stays there; in one of creep it goes away by a quarter to twenty of them a second. All of it is
invented.
"""

import random
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from lifts import PoseRig, shaken, steady

from drivers.reading import Quality, Reading
from monitor.engine.engine import Engine
from monitor.engine.kalman import TripleFilter

SECONDS, TICKS = 24.0, 20
ZERO_S, RISE_S, STOP_S = 2.5, 6.0, 20.0
KINDS = ("steady", "shaken", "free", "bias", "creep")
LYING = "bias", "creep"


@dataclass
class Outcome:
    """What one lift showed."""

    rest: list = field(default_factory=list)
    lifting: list = field(default_factory=list)
    nis: list = field(default_factory=list)
    covered: int = 0
    pictures: int = 0
    silent: int = 0
    placed_s: float | None = None
    doubted: bool = False
    blamed: set = field(default_factory=set)
    odd: int = 0


def play(job: tuple[str, int]) -> Outcome:
    """One lift of a kind, from its seed."""
    kind, seed = job
    rng, out = random.Random(seed), Outcome()
    it = PoseRig(rng)
    engine = Engine(it.rig())
    speed = rng.uniform(3e-3, 10e-3) / it.lift_at[0]
    path = shaken(rng, SECONDS, 3e-6) if kind == "shaken" else []
    liar, since, sign = rng.choice(list(it.noise)), rng.uniform(8.0, 18.0), rng.choice([-1.0, 1.0])
    size = max(1.0, max(float(np.hypot(*h["at"])) for h in it.document["height"]), float(np.hypot(*it.lift_at)))

    def theta(t: float) -> float:
        if kind == "shaken":
            return path[int(max(0.0, t - 3.0) * 100)] / size
        return steady(t, speed, RISE_S, STOP_S)

    creep = 0.25 * 80.0 ** random.Random(seed).random()

    loose = [shaken(rng, SECONDS, 3e-6) for _ in range(3)] if kind == "free" else []

    def freely(t: float) -> tuple[float, float, float]:
        """All three ways a load may move, each as unsteady as the model takes it to be."""
        z, a, b = (path[int(max(0.0, t - 3.0) * 100)] for path in loose)
        return z, a / size, b / size

    head = np.array([1.0, *it.lift_at])
    zeroed = False
    for t, name in moments(rng, it.period):
        now = int(t * 1e9)
        if name:
            seen = it.see_free(*freely(t)) if kind == "free" else it.see(theta(t))
            value = seen[name] + rng.gauss(0.0, it.noise[name])
            if kind == "bias" and name == liar and t >= since:
                value += sign * 10.0 * it.noise[name]
            elif kind == "creep" and name == liar and t >= since:
                value += sign * creep * (t - since) * it.noise[name]
            engine.accept(Reading(name, 0, now, None, value, Quality.GOOD))
        elif not zeroed:
            if t >= ZERO_S:
                engine.zero(now)
                zeroed = True
        else:
            engine.pose.tick(now)
            pose = engine.pose.estimate(now)
            if pose is None or not np.isfinite(pose.x).all():
                out.odd += 1
                continue
            error = np.array(pose.x[:3]) - (freely(t) if kind == "free" else it.truth(theta(t)))
            p = np.array(pose.p)[:3, :3]
            sample = (
                error @ head / pose.rise_sd(*it.lift_at),
                error[1] / sqrt(p[1, 1]),
                error @ np.linalg.solve(p, error),
            )
            if 4.0 < t < RISE_S and kind not in LYING:
                out.rest.append(sample)
            if 8.0 < t < STOP_S and kind not in LYING:
                out.lifting.append(sample)
            bound = pose.rise_bound(*it.lift_at)
            out.pictures += 1
            out.silent += bound is None
            out.covered += bound is not None and abs(error @ head) <= bound
            for channel, state in engine.channels.items():
                if state.excluded and kind in LYING and channel == liar and t >= since:
                    out.placed_s = t - since if out.placed_s is None else out.placed_s
                elif state.disputed and channel == liar and t >= since:
                    out.doubted = True
                elif state.excluded:
                    out.blamed.add(channel)
    return out


def moments(rng: random.Random, periods: dict[str, float]) -> list[tuple[float, str]]:
    """When each channel reads, with jitter, and when the clock ticks (no name)."""
    found = [(k / TICKS, "") for k in range(1, int(SECONDS * TICKS))]
    for name, period in periods.items():
        phase = rng.uniform(0.2, 1.0) * period
        count = int((SECONDS - phase) / period)
        found += [(phase + (k + rng.uniform(-0.1, 0.1)) * period, name) for k in range(count)]
    return sorted(found)


def normalised_innovations(lifts: int) -> list[float]:
    """Mean of the squared innovations over the variance that the update gives them, of each of so many free lifts."""
    kept: list[float] = []
    correct = TripleFilter.correct

    def listen(self: TripleFilter, ph: list[float], s: float, innovation: float) -> None:
        kept.append(innovation * innovation / s)
        correct(self, ph, s, innovation)

    means = []
    TripleFilter.correct = listen
    try:
        for seed in range(lifts):
            kept.clear()
            play(("free", seed))
            means.append(sum(kept) / len(kept))
    finally:
        TripleFilter.correct = correct
    return means


def banded(means: list[float]) -> str:
    """The mean of lifts' means, and the 95 % band about it by how they scatter."""
    half = 1.96 * float(np.std(means)) / sqrt(len(means))
    return f"{np.mean(means):.3f} +- {half:.3f}"


def tell(kind: str, lifts: list[Outcome]) -> None:
    """The figures of one kind."""
    print(f"{kind}: {len(lifts)} lifts")
    for name in ("rest", "lifting"):
        samples = np.array([s for it in lifts for s in getattr(it, name)])
        if len(samples):
            rise, tilt, _ = np.sqrt(np.mean(samples**2, axis=0))
            nees = banded([np.mean([s[2] for s in getattr(it, name)]) / 3.0 for it in lifts])
            print(
                f"  {name}: RMS error over the steady limit {rise:.2f} rise, {tilt:.2f} tilt; mean NEES {nees} (95 %)"
            )
    pictures = sum(it.pictures for it in lifts)
    covered = sum(it.covered for it in lifts) / (pictures - sum(it.silent for it in lifts))
    print(
        f"  error within its bound in {100 * covered:.3f} % of {pictures} pictures; no pose in {sum(it.odd for it in lifts)}"
    )
    if kind == "bias":
        soon = sum(it.placed_s is not None and it.placed_s <= 1.0 for it in lifts)
        wrong = sum(bool(it.blamed) for it in lifts)
        print(
            f"  placed within 1 s in {100 * soon / len(lifts):.1f} %, another blamed in {100 * wrong / len(lifts):.2f} %"
        )
    elif kind == "creep":
        out = sum(it.placed_s is not None for it in lifts)
        doubted = sum(it.placed_s is None and it.doubted for it in lifts)
        wrong = sum(bool(it.blamed) for it in lifts)
        print(f"  left out in {out}, else named as one of two in {doubted}, another left out in {wrong}")
    else:
        print(f"  sensors left out in {sum(bool(it.blamed) for it in lifts)} lifts")


def main() -> None:
    lifts = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    with ProcessPoolExecutor() as pool:
        for kind in sys.argv[2:] or KINDS:
            tell(kind, list(pool.map(play, ((kind, seed) for seed in range(lifts)), chunksize=4)))
    if not sys.argv[2:]:
        print(f"mean NIS of free lifts {banded(normalised_innovations(max(2, lifts // 10)))} (95 %)")


if __name__ == "__main__":
    main()
