"""Two small Kalman filters in plain Python: position-and-rate of one number, and of three numbers at once.

Plain lists, fixed order of summation, no linear-algebra library: the same entries give the same bits on every
machine. Both use the white-noise-acceleration model Q = q * [[T^3/3, T^2/2], [T^2/2, T]] for each pair (Bar-Shalom,
Li and Kirubarajan, *Estimation with Applications to Tracking and Navigation*, 2001, section 6.2.2) and the Joseph form
of the update, which keeps the covariance symmetric and positive over a day.
"""

from __future__ import annotations

from math import sqrt

Row = tuple[float, float, float]


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
            q = self.q
            value += rate * dt
            p00 += dt * (2.0 * p01 + dt * p11) + q * dt * dt * dt / 3.0
            p01 += dt * p11 + q * dt * dt / 2.0
            p11 += q * dt
        s = p00 + r
        k0, k1 = p00 / s, p01 / s
        innovation = measured - value
        self.value = value + k0 * innovation
        self.rate = rate + k1 * innovation
        g = 1.0 - k0
        self.p00 = g * g * p00 + k0 * k0 * r
        self.p01 = g * (p01 - k1 * p00) + k0 * k1 * r
        self.p11 = p11 - 2.0 * k1 * p01 + k1 * k1 * (p00 + r)

    @property
    def rate_sd(self) -> float:
        """One standard deviation of `rate`."""
        return sqrt(self.p11)


class TripleFilter:
    """Three numbers and their rates: x = [z, a, b, dz, da, db], covariance `p` (6 rows of 6).

    A reading touches the three positions only: h = (hz, ha, hb). `q` holds the acceleration densities of the three.
    """

    __slots__ = ("p", "q", "x")

    def __init__(self, q: Row, variance: Row, rate_variance: Row) -> None:
        self.q = q
        self.x = [0.0] * 6
        self.p = [[0.0] * 6 for _ in range(6)]
        for i in range(3):
            self.p[i][i] = variance[i]
            self.p[i + 3][i + 3] = rate_variance[i]

    def predict(self, dt: float) -> None:
        """Let `dt` seconds pass."""
        if dt <= 0.0:
            return
        x, p = self.x, self.p
        half, third = dt * dt / 2.0, dt * dt * dt / 3.0
        for i, q in enumerate(self.q):  # P <- F P F' + Q with F = [[I, dt I], [0, I]], two rows at a time
            x[i] += dt * x[i + 3]
            z, a, b, dz, da, db = p[i]
            lz, la, lb, ldz, lda, ldb = p[i + 3]
            dz, da, db = dz + dt * ldz, da + dt * lda, db + dt * ldb
            p[i] = above = [z + dt * lz + dt * dz, a + dt * la + dt * da, b + dt * lb + dt * db, dz, da, db]
            p[i + 3] = below = [lz + dt * ldz, la + dt * lda, lb + dt * ldb, ldz, lda, ldb]
            above[i] += q * third
            above[i + 3] += q * half
            below[i] += q * half
            below[i + 3] += q * dt

    def along(self, h: Row) -> tuple[list[float], float]:
        """(P h', h P h') for a reading with row `h`."""
        hz, ha, hb = h
        ph = [z * hz + a * ha + b * hb for z, a, b, _, _, _ in self.p]
        return ph, ph[0] * hz + ph[1] * ha + ph[2] * hb

    def update(self, h: Row, innovation: float, r: float) -> None:
        """Take one reading, of variance `r`, that differs by `innovation` from what was predicted."""
        ph, spread = self.along(h)
        self.correct(ph, spread + r, innovation)

    def correct(self, ph: list[float], s: float, innovation: float) -> None:
        """The update itself: `ph` from `along`, `s` the variance of the innovation. Joseph form, symmetric by
        construction: each off-diagonal pair is computed once. Written out, since it is done at every reading."""
        x, p = self.x, self.p
        h0, h1, h2, h3, h4, h5 = ph
        k0, k1, k2, k3, k4, k5 = h0 / s, h1 / s, h2 / s, h3 / s, h4 / s, h5 / s
        x[0] += k0 * innovation
        x[1] += k1 * innovation
        x[2] += k2 * innovation
        x[3] += k3 * innovation
        x[4] += k4 * innovation
        x[5] += k5 * innovation
        (p00, p01, p02, p03, p04, p05), (_, p11, p12, p13, p14, p15), (_, _, p22, p23, p24, p25) = p[:3]
        (_, _, _, p33, p34, p35), (_, _, _, _, p44, p45), (_, _, _, _, _, p55) = p[3:]
        p00 = p00 - k0 * h0 - h0 * k0 + k0 * k0 * s
        p01 = p01 - k0 * h1 - h0 * k1 + k0 * k1 * s
        p02 = p02 - k0 * h2 - h0 * k2 + k0 * k2 * s
        p03 = p03 - k0 * h3 - h0 * k3 + k0 * k3 * s
        p04 = p04 - k0 * h4 - h0 * k4 + k0 * k4 * s
        p05 = p05 - k0 * h5 - h0 * k5 + k0 * k5 * s
        p11 = p11 - k1 * h1 - h1 * k1 + k1 * k1 * s
        p12 = p12 - k1 * h2 - h1 * k2 + k1 * k2 * s
        p13 = p13 - k1 * h3 - h1 * k3 + k1 * k3 * s
        p14 = p14 - k1 * h4 - h1 * k4 + k1 * k4 * s
        p15 = p15 - k1 * h5 - h1 * k5 + k1 * k5 * s
        p22 = p22 - k2 * h2 - h2 * k2 + k2 * k2 * s
        p23 = p23 - k2 * h3 - h2 * k3 + k2 * k3 * s
        p24 = p24 - k2 * h4 - h2 * k4 + k2 * k4 * s
        p25 = p25 - k2 * h5 - h2 * k5 + k2 * k5 * s
        p33 = p33 - k3 * h3 - h3 * k3 + k3 * k3 * s
        p34 = p34 - k3 * h4 - h3 * k4 + k3 * k4 * s
        p35 = p35 - k3 * h5 - h3 * k5 + k3 * k5 * s
        p44 = p44 - k4 * h4 - h4 * k4 + k4 * k4 * s
        p45 = p45 - k4 * h5 - h4 * k5 + k4 * k5 * s
        p55 = p55 - k5 * h5 - h5 * k5 + k5 * k5 * s
        p[:] = (
            [p00, p01, p02, p03, p04, p05],
            [p01, p11, p12, p13, p14, p15],
            [p02, p12, p22, p23, p24, p25],
            [p03, p13, p23, p33, p34, p35],
            [p04, p14, p24, p34, p44, p45],
            [p05, p15, p25, p35, p45, p55],
        )

    def open_up(self, variance: Row, rate_variance: Row) -> None:
        """Widen the covariance: the load has moved in a way the model did not expect."""
        for i in range(3):
            self.p[i][i] += variance[i]
            self.p[i + 3][i + 3] += rate_variance[i]

    def copy(self) -> TripleFilter:
        """An independent copy, to look ahead with."""
        other = TripleFilter.__new__(TripleFilter)
        other.q, other.x, other.p = self.q, self.x[:], [row[:] for row in self.p]
        return other


def variance_along(p: list[list[float]], h: Row) -> float:
    """h P h' over the position block."""
    hz, ha, hb = h
    z, a = p[0], p[1]
    return hz * (z[0] * hz + 2.0 * (z[1] * ha + z[2] * hb)) + ha * (a[1] * ha + 2.0 * a[2] * hb) + hb * p[2][2] * hb
