"""Where a virtual load comes to rest on its bags, shores and ground: one angle with a hinge, three freedoms without.

Quasi-static equilibrium by virtual work, no inertia. Supports push and never pull. A root is sought by Newton's steps from
where the load was, kept in a bracket or shortened until they lead downhill.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, cos, sin, sqrt

from monitor.drill.air import BagStack
from monitor.drill.body import Hinge
from monitor.drill.shore import TrueShore

STEEPEST = asin(0.9)
"""No load is turned further (rad): by then it has gone over."""
SUPPORT_STIFFNESS = 5e8
"""Of ground and locked shores under a load without a hinge, N/m: a twentieth of a millimetre under 25 kN (invented)."""
SHARED_M = 5e-5
"""Locked shores within this of the load share what it weighs on them: they give by about as much (invented)."""
_SAME_RAD = 1e-10
"""Angles closer than this are one: a tenth of a nanometre a metre out, as near as the bags' own heights are sought."""
_MARCH = 2e-3
"""How far (rad) is looked at a time for the next angle of rest."""
_TURNS = 60

Freedom = tuple[float, ...]


@dataclass(slots=True)
class Post:
    """A stack under the load: its bags, the load-fixed point it touches, its height at the zero, where its foot stands."""

    bags: BagStack
    contact: tuple[float, float]
    height: float
    foot: tuple[float, float]


def _push_at(post: Post, hinge: Hinge, s: float, c: float) -> tuple[float, float, float, float]:
    """(force, its slope, lever of that force about the hinge, arm of the contact) of one stack at an angle.

    A leaning stack pushes along the line from foot to head: Fz * d - Fx * z.
    """
    arm = hinge.arm(post.contact) - hinge.gone
    if arm <= 0.0:
        return 0.0, 0.0, 0.0, arm
    force, slope = post.bags.force(post.bags.flat + arm * s - hinge.sunk)
    lean = hinge.walked + arm * c - hinge.arm(post.foot)
    standing = post.height + arm * s - hinge.sunk
    return force, slope, arm * c - arm * s * lean / max(standing, 0.01), arm


class Hinged:
    """Moments about the hinge. `solve` gives the angle, and leaves with every shore what its lock carries.

    `xg`, `zg`: the centre of gravity, from the hinge as it is now, at the zero's attitude. `tail`: the angle (rad) past
    which a line made fast behind the load holds it, if there is one; it never stretches.
    """

    def __init__(
        self,
        hinge: Hinge,
        weight: float,
        cg: tuple[float, float, float],
        posts: Sequence[Post],
        tail: float | None = None,
    ) -> None:
        self.hinge, self.weight, self.posts = hinge, weight, posts
        self.most = STEEPEST if tail is None else min(tail, STEEPEST)
        self.xg, self.zg = hinge.arm(cg) - hinge.gone, cg[2]

    def moment(self, theta: float, shores: Sequence[TrueShore]) -> tuple[float, float]:
        """(moment that raises the load (N m), about its slope) at an angle: bags and air of the shores less the weight."""
        s, c = sin(theta), cos(theta)
        total = -self.weight * (self.xg * c - self.zg * s)
        bend = self.weight * (self.xg * s + self.zg * c)
        for post in self.posts:
            force, slope, lever, arm = _push_at(post, self.hinge, s, c)
            total += force * lever
            bend += slope * arm * c * lever - force * arm * s
        for shore in shores:
            arm = self.hinge.arm(shore.shore.at) - self.hinge.gone
            total += shore.thrust * arm * c
            bend -= shore.thrust * arm * s
        return total, bend

    def _floors(self, shores: Sequence[TrueShore]) -> tuple[float, float]:
        """Sines of the least angles that (ground and flat stacks, locked shores) allow."""
        hinge = self.hinge
        arms = [hinge.arm(post.contact) - hinge.gone for post in self.posts]
        rest = max((hinge.sunk / arm for arm in arms if arm > 0.0), default=0.0)
        held = rest
        for shore in shores:
            arm = hinge.arm(shore.shore.at) - hinge.gone
            if not shore.released and arm > 0.0:
                held = max(held, (shore.extension + hinge.sunk) / arm)
        return min(rest, 0.9), min(held, 0.9)

    def solve(self, theta: float, shores: Sequence[TrueShore]) -> float:
        """The angle (rad) at which the load stays, sought from `theta`."""
        rest, held = self._floors(shores)
        low, high = asin(held), max(asin(held), self.most)
        for shore in shores:
            shore.carried = 0.0
        missing = -self.moment(low, shores)[0]
        if missing >= 0.0:
            if held > rest + 1e-12:
                self._carry(missing, held, shores)
            return low
        theta = min(max(theta, low), high)
        if self.most < STEEPEST:  # near its tip angle a load may rest at more than one: it stays at the next
            low, high = self._next_to(theta, low, high, shores)
            if low == high:
                return high  # the line is taut: it carries what is over
            theta = min(max(theta, low), high)
        for _ in range(_TURNS):
            total, slope = self.moment(theta, shores)
            if total > 0.0:
                low = theta
            else:
                high = theta
            after = theta - total / slope if slope < 0.0 else STEEPEST
            if not low < after < high:
                after = (low + high) / 2.0
            if abs(after - theta) < _SAME_RAD:
                return after
            theta = after
        return theta

    def _next_to(self, theta: float, low: float, high: float, shores: Sequence[TrueShore]) -> tuple[float, float]:
        """The bracket (rad) of the angle of rest that a load at `theta` comes to; `high` twice if it comes to none."""
        step = _MARCH if self.moment(theta, shores)[0] > 0.0 else -_MARCH
        while low < theta + step < high:
            if self.moment(theta + step, shores)[0] * step <= 0.0:
                return min(theta, theta + step), max(theta, theta + step)
            theta += step
        if step < 0.0:
            return low, theta
        return (theta, high) if self.moment(high, shores)[0] < 0.0 else (high, high)

    def _carry(self, missing: float, sine: float, shores: Sequence[TrueShore]) -> None:
        """Share a missing moment between the locked shores that touch: each gives in proportion to its arm."""
        hinge = self.hinge
        touching = [
            (shore, arm)
            for shore in shores
            if not shore.released
            and (arm := hinge.arm(shore.shore.at) - hinge.gone) > 0.0
            and arm * sine - hinge.sunk - shore.extension <= SHARED_M
        ]
        squares = sum(arm * arm for _, arm in touching) * sqrt(1.0 - sine * sine)
        for shore, arm in touching:
            shore.carried = missing * arm / squares


class Free:
    """A load that only bags carry: rise of its origin and the cosines of its axes, as far as its stacks can hold them.

    With three stacks or more, not in a line, both tilts; with stacks in a line the tilt along it; with one none. What the
    others would do is held at zero. Stacks push straight up: what leans is in balance sideways. `rest[k]` (m) is how far the
    ground gives under stack k at the zero.
    """

    def __init__(self, weight: float, cg: tuple[float, float, float], posts: Sequence[Post]) -> None:
        self.weight, self.cg, self.posts = weight, cg, posts
        self.ways = _ways([post.foot for post in posts])
        self.rest = [0.0] * len(posts)

    def _row(self, x: float, y: float) -> Freedom:
        """How fast a load-fixed point rises with each freedom."""
        return (1.0, *(ux * x + uy * y for ux, uy in self.ways))

    def forces(self, q: Sequence[float], shores: Sequence[TrueShore]) -> tuple[list[float], list[list[float]]]:
        """(generalised force on each freedom, its slopes): all that pushes less the weight."""
        n = len(q)
        total, slopes = [0.0] * n, [[0.0] * n for _ in range(n)]

        def push(row: Freedom, force: float, slope: float) -> None:
            for i in range(n):
                total[i] += force * row[i]
                for j in range(n):
                    slopes[i][j] += slope * row[i] * row[j]

        for post, give in zip(self.posts, self.rest, strict=True):
            row = self._row(*post.contact)
            rise = sum(r * v for r, v in zip(row, q, strict=True))
            push(row, *post.bags.force(post.bags.flat + rise))
            if rise < give:
                push(row, SUPPORT_STIFFNESS * (give - rise), -SUPPORT_STIFFNESS)
        for shore in shores:
            row = self._row(*shore.shore.at)
            rise = sum(r * v for r, v in zip(row, q, strict=True))
            push(row, shore.thrust, 0.0)
            if not shore.released and rise < shore.extension and shore.extension > 0.0:
                push(row, SUPPORT_STIFFNESS * (shore.extension - rise), -SUPPORT_STIFFNESS)
        lean = sum(v * v for v in q[1:])
        c = sqrt(max(1e-6, 1.0 - lean))
        push(self._row(self.cg[0], self.cg[1]), -self.weight, 0.0)
        for i in range(1, n):  # the height of the centre of gravity over the underside falls as the load tilts
            total[i] += self.weight * self.cg[2] * q[i] / c
            slopes[i][i] += self.weight * self.cg[2] / c
        return total, slopes

    def solve(self, q: Sequence[float], shores: Sequence[TrueShore]) -> list[float] | None:
        """The freedoms at rest, sought from `q`; None where there is none within half a radian: the load goes over."""
        at = list(q)
        total, slopes = self.forces(at, shores)
        for _ in range(_TURNS):
            if max(map(abs, total)) < 1e-7 * self.weight:
                break
            step = _solved(slopes, [-v for v in total])
            downhill = sum(d * v for d, v in zip(step, total, strict=True))
            share = 1.0
            for _ in range(40):  # shortened until the push along the step has nearly gone, and not turned round
                there = [v + share * d for v, d in zip(at, step, strict=True)]
                after, bends = self.forces(there, shores)
                if sum(d * v for d, v in zip(step, after, strict=True)) >= -0.5 * abs(downhill):
                    break
                share /= 2.0
            at, total, slopes = there, after, bends
        if max(map(abs, total)) > 1e-4 * self.weight or any(abs(v) > 0.5 for v in at[1:]):
            return None
        for shore in shores:
            rise = sum(r * v for r, v in zip(self._row(*shore.shore.at), at, strict=True))
            locked = not shore.released and shore.extension > 0.0
            shore.carried = SUPPORT_STIFFNESS * max(0.0, shore.extension - rise) if locked else 0.0
        return at

    def pose(self, q: Sequence[float]) -> tuple[float, float, float]:
        """(rise of the origin, vertical cosines of the x and y axes) of some freedoms."""
        a = sum(v * ux for v, (ux, _) in zip(q[1:], self.ways, strict=True))
        b = sum(v * uy for v, (_, uy) in zip(q[1:], self.ways, strict=True))
        return q[0], a, b


def _ways(feet: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """The level directions along which the load can tilt on stacks that stand there."""
    (x0, y0), *others = feet
    far = max(others, key=lambda p: (p[0] - x0) ** 2 + (p[1] - y0) ** 2, default=(x0, y0))
    dx, dy = far[0] - x0, far[1] - y0
    length = sqrt(dx * dx + dy * dy)
    if length < 1e-9:
        return ()
    ux, uy = dx / length, dy / length
    if all(abs((x - x0) * uy - (y - y0) * ux) < 1e-3 * length for x, y in others):
        return ((ux, uy),)
    return ((1.0, 0.0), (0.0, 1.0))


def _solved(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Solution of a small symmetric system, made a little stiffer so that what nothing holds does not run away."""
    n = len(right)
    rows = [[*row, r] for row, r in zip(matrix, right, strict=True)]
    for i in range(n):
        rows[i][i] -= 1e3
    for i in range(n):
        best = max(range(i, n), key=lambda k: abs(rows[k][i]))
        rows[i], rows[best] = rows[best], rows[i]
        for k in range(i + 1, n):
            share = rows[k][i] / rows[i][i]
            rows[k] = [v - share * w for v, w in zip(rows[k], rows[i], strict=True)]
    out = [0.0] * n
    for i in reversed(range(n)):
        out[i] = (rows[i][n] - sum(rows[i][j] * out[j] for j in range(i + 1, n))) / rows[i][i]
    return out
