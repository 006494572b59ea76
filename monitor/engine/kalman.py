"""Two small Kalman filters in plain Python: position-and-rate of one number, and of three numbers at once.

Plain lists, fixed order of summation, no linear-algebra library: the same entries give the same bits on every
machine. Both use the white-noise-acceleration model Q = q * [[T^3/3, T^2/2], [T^2/2, T]] for each pair (Bar-Shalom,
Li and Kirubarajan, *Estimation with Applications to Tracking and Navigation*, 2001, section 6.2.2) and the Joseph form
of the update, which keeps the covariance symmetric and positive over a day.
"""

from __future__ import annotations

from math import sqrt

Row = tuple[float, float, float]
Row6 = tuple[float, float, float, float, float, float]


class RateFilter:
    """One number and its rate: `value`, `rate`, and their variances `p00`, `p11` (with `p01` between them).

    `noise` is one standard deviation of a reading; `q` is the power spectral density of the acceleration
    (unit^2/s^3): larger follows faster and smooths less; `rate_sd` is what the rate may be at the first reading.
    """

    __slots__ = ("_first_p11", "p00", "p01", "p11", "q", "r", "rate", "time_ns", "value")

    def __init__(self, noise: float, q: float, rate_sd: float) -> None:
        self.r = noise * noise
        self.q = q
        self._first_p11 = rate_sd * rate_sd
        self.time_ns: int | None = None
        self.value = self.rate = 0.0
        self.p00 = self.p01 = self.p11 = 0.0

    def update(self, time_ns: int, measured: float) -> None:
        """Take one reading. A reading older than the last one is used as if it were of the same moment."""
        if self.time_ns is None:
            self.time_ns, self.value, self.rate = time_ns, measured, 0.0
            self.p00, self.p01, self.p11 = self.r, 0.0, self._first_p11
            return
        value, rate, r = self.value, self.rate, self.r
        p00, p01, p11 = self.p00, self.p01, self.p11
        if time_ns > self.time_ns:
            dt = (time_ns - self.time_ns) * 1e-9
            self.time_ns = time_ns
            faster, later = self.q * dt, dt * p11
            value += rate * dt
            p00 += dt * (2.0 * p01 + later) + faster * dt * dt / 3.0
            p01 += later + faster * dt / 2.0
            p11 += faster
        s = p00 + r
        k0, k1 = p00 / s, p01 / s
        innovation = measured - value
        self.value = value + k0 * innovation
        self.rate = rate + k1 * innovation
        g = 1.0 - k0
        self.p00 = g * g * p00 + k0 * k0 * r
        self.p01 = g * (p01 - k1 * p00) + k0 * k1 * r
        self.p11 = p11 - 2.0 * k1 * p01 + k1 * k1 * s

    @property
    def rate_sd(self) -> float:
        """One standard deviation of `rate`."""
        return sqrt(self.p11)


class TripleFilter:
    """Three numbers and their rates: x = [z, a, b, dz, da, db], covariance `p` (6 rows of 6).

    A reading touches the three positions only: h = (hz, ha, hb). `q` holds the acceleration densities of the three.

    The covariance is kept as plain tuples: `_at`, the positions' block, whole, since looking ahead rounds its halves apart;
    `_across`, positions with rates, by rows, which is rates with positions by columns; `_rates`, the upper half of their block.
    """

    __slots__ = ("_across", "_at", "_rates", "q", "x")

    def __init__(self, q: Row, variance: Row, rate_variance: Row) -> None:
        self.q = q
        self.x = [0.0] * 6
        (z, a, b), (dz, da, db) = variance, rate_variance
        self._at = z, 0.0, 0.0, 0.0, a, 0.0, 0.0, 0.0, b
        self._across = (0.0,) * 9
        self._rates = dz, 0.0, 0.0, da, 0.0, db

    @property
    def p(self) -> list[list[float]]:
        """The covariance, its rows made anew."""
        p00, p01, p02, p10, p11, p12, p20, p21, p22 = self._at
        p03, p04, p05, p13, p14, p15, p23, p24, p25 = self._across
        p33, p34, p35, p44, p45, p55 = self._rates
        return [
            [p00, p01, p02, p03, p04, p05],
            [p10, p11, p12, p13, p14, p15],
            [p20, p21, p22, p23, p24, p25],
            [p03, p13, p23, p33, p34, p35],
            [p04, p14, p24, p34, p44, p45],
            [p05, p15, p25, p35, p45, p55],
        ]

    def predict(self, dt: float) -> None:
        """Let `dt` seconds pass: P <- F P F' + Q with F = [[I, dt I], [0, I]]. Written out, as it is done at most readings."""
        if dt <= 0.0:
            return
        z, a, b, dz, da, db = self.x
        self.x = [z + dt * dz, a + dt * da, b + dt * db, dz, da, db]
        qz, qa, qb = self.q
        half, third = dt * dt / 2.0, dt * dt * dt / 3.0
        p00, p01, p02, p10, p11, p12, p20, p21, p22 = self._at
        p03, p04, p05, p13, p14, p15, p23, p24, p25 = self._across
        p33, p34, p35, p44, p45, p55 = self._rates
        n03, n04, n05 = p03 + dt * p33, p04 + dt * p34, p05 + dt * p35
        n13, n14, n15 = p13 + dt * p34, p14 + dt * p44, p15 + dt * p45
        n23, n24, n25 = p23 + dt * p35, p24 + dt * p45, p25 + dt * p55
        self._at = (
            p00 + dt * p03 + dt * n03 + qz * third,
            p01 + dt * p13 + dt * n04,
            p02 + dt * p23 + dt * n05,
            p10 + dt * p04 + dt * n13,
            p11 + dt * p14 + dt * n14 + qa * third,
            p12 + dt * p24 + dt * n15,
            p20 + dt * p05 + dt * n23,
            p21 + dt * p15 + dt * n24,
            p22 + dt * p25 + dt * n25 + qb * third,
        )
        self._across = (
            n03 + qz * half,
            n04,
            n05,
            n13,
            n14 + qa * half,
            n15,
            n23,
            n24,
            n25 + qb * half,
        )
        self._rates = (
            p33 + qz * dt,
            p34,
            p35,
            p44 + qa * dt,
            p45,
            p55 + qb * dt,
        )

    def along(self, h: Row) -> tuple[Row6, float]:
        """(P h', h P h') for a reading with row `h`."""
        hz, ha, hb = h
        p00, p01, p02, p10, p11, p12, p20, p21, p22 = self._at
        p03, p04, p05, p13, p14, p15, p23, p24, p25 = self._across
        h0 = p00 * hz + p01 * ha + p02 * hb
        h1 = p10 * hz + p11 * ha + p12 * hb
        h2 = p20 * hz + p21 * ha + p22 * hb
        h3 = p03 * hz + p13 * ha + p23 * hb
        h4 = p04 * hz + p14 * ha + p24 * hb
        h5 = p05 * hz + p15 * ha + p25 * hb
        return (h0, h1, h2, h3, h4, h5), h0 * hz + h1 * ha + h2 * hb

    def update(self, h: Row, innovation: float, r: float) -> None:
        """Take one reading, of variance `r`, that differs by `innovation` from what was predicted."""
        ph, spread = self.along(h)
        self.correct(ph, spread + r, innovation)

    def correct(self, ph: Row6, s: float, innovation: float) -> None:
        """The update itself: `ph` from `along`, `s` the variance of the innovation. Joseph form, symmetric by
        construction: each off-diagonal pair is computed once. Written out, since it is done at every reading."""
        z, a, b, dz, da, db = self.x
        h0, h1, h2, h3, h4, h5 = ph
        k0, k1, k2, k3, k4, k5 = h0 / s, h1 / s, h2 / s, h3 / s, h4 / s, h5 / s
        self.x = [
            z + k0 * innovation,
            a + k1 * innovation,
            b + k2 * innovation,
            dz + k3 * innovation,
            da + k4 * innovation,
            db + k5 * innovation,
        ]
        p00, p01, p02, _, p11, p12, _, _, p22 = self._at
        p03, p04, p05, p13, p14, p15, p23, p24, p25 = self._across
        p33, p34, p35, p44, p45, p55 = self._rates
        p01 = p01 - k0 * h1 - h0 * k1 + k0 * k1 * s
        p02 = p02 - k0 * h2 - h0 * k2 + k0 * k2 * s
        p12 = p12 - k1 * h2 - h1 * k2 + k1 * k2 * s
        self._at = (
            p00 - k0 * h0 - h0 * k0 + k0 * k0 * s,
            p01,
            p02,
            p01,
            p11 - k1 * h1 - h1 * k1 + k1 * k1 * s,
            p12,
            p02,
            p12,
            p22 - k2 * h2 - h2 * k2 + k2 * k2 * s,
        )
        self._across = (
            p03 - k0 * h3 - h0 * k3 + k0 * k3 * s,
            p04 - k0 * h4 - h0 * k4 + k0 * k4 * s,
            p05 - k0 * h5 - h0 * k5 + k0 * k5 * s,
            p13 - k1 * h3 - h1 * k3 + k1 * k3 * s,
            p14 - k1 * h4 - h1 * k4 + k1 * k4 * s,
            p15 - k1 * h5 - h1 * k5 + k1 * k5 * s,
            p23 - k2 * h3 - h2 * k3 + k2 * k3 * s,
            p24 - k2 * h4 - h2 * k4 + k2 * k4 * s,
            p25 - k2 * h5 - h2 * k5 + k2 * k5 * s,
        )
        self._rates = (
            p33 - k3 * h3 - h3 * k3 + k3 * k3 * s,
            p34 - k3 * h4 - h3 * k4 + k3 * k4 * s,
            p35 - k3 * h5 - h3 * k5 + k3 * k5 * s,
            p44 - k4 * h4 - h4 * k4 + k4 * k4 * s,
            p45 - k4 * h5 - h4 * k5 + k4 * k5 * s,
            p55 - k5 * h5 - h5 * k5 + k5 * k5 * s,
        )

    def open_up(self, variance: Row, rate_variance: Row) -> None:
        """Widen the covariance: the load has moved in a way the model did not expect."""
        (z, a, b), (dz, da, db) = variance, rate_variance
        p00, p01, p02, p10, p11, p12, p20, p21, p22 = self._at
        p33, p34, p35, p44, p45, p55 = self._rates
        self._at = p00 + z, p01, p02, p10, p11 + a, p12, p20, p21, p22 + b
        self._rates = p33 + dz, p34, p35, p44 + da, p45, p55 + db

    def copy(self) -> TripleFilter:
        """An independent copy, to look ahead with."""
        other = TripleFilter.__new__(TripleFilter)
        other.q, other.x = self.q, self.x[:]
        other._at, other._across, other._rates = self._at, self._across, self._rates
        return other


def variance_along(p: list[list[float]], h: Row) -> float:
    """h P h' over the position block."""
    hz, ha, hb = h
    z, a = p[0], p[1]
    return hz * (z[0] * hz + 2.0 * (z[1] * ha + z[2] * hb)) + ha * (a[1] * ha + 2.0 * a[2] * hb) + hb * p[2][2] * hb
