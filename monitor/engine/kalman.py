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
        if time_ns > self.time_ns:
            dt = (time_ns - self.time_ns) * 1e-9
            self.time_ns = time_ns
            self.value += self.rate * dt
            self.p00 += dt * (2.0 * self.p01 + dt * self.p11) + self.q * dt * dt * dt / 3.0
            self.p01 += dt * self.p11 + self.q * dt * dt / 2.0
            self.p11 += self.q * dt
        s = self.p00 + self.r
        k0, k1 = self.p00 / s, self.p01 / s
        innovation = measured - self.value
        self.value += k0 * innovation
        self.rate += k1 * innovation
        g = 1.0 - k0
        p00, p01, p11 = self.p00, self.p01, self.p11
        self.p00 = g * g * p00 + k0 * k0 * self.r
        self.p01 = g * (p01 - k1 * p00) + k0 * k1 * self.r
        self.p11 = p11 - 2.0 * k1 * p01 + k1 * k1 * (p00 + self.r)

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
        for i in range(3):
            x[i] += dt * x[i + 3]
        for above, below in zip(
            p[:3], p[3:], strict=True
        ):  # P <- F P F' with F = [[I, dt I], [0, I]], two rows at a time
            z, a, b, dz, da, db = above
            lz, la, lb, ldz, lda, ldb = below
            dz, da, db = dz + dt * ldz, da + dt * lda, db + dt * ldb
            above[:] = z + dt * lz + dt * dz, a + dt * la + dt * da, b + dt * lb + dt * db, dz, da, db
            below[:3] = lz + dt * ldz, la + dt * lda, lb + dt * ldb
        half, third = dt * dt / 2.0, dt * dt * dt / 3.0
        for i in range(3):
            q = self.q[i]
            p[i][i] += q * third
            p[i][i + 3] += q * half
            p[i + 3][i] += q * half
            p[i + 3][i + 3] += q * dt

    def along(self, h: Row) -> tuple[list[float], float]:
        """(P h', h P h') for a reading with row `h`."""
        hz, ha, hb = h
        ph = [row[0] * hz + row[1] * ha + row[2] * hb for row in self.p]
        return ph, ph[0] * hz + ph[1] * ha + ph[2] * hb

    def update(self, h: Row, innovation: float, r: float) -> None:
        """Take one reading, of variance `r`, that differs by `innovation` from what was predicted."""
        ph, spread = self.along(h)
        self.correct(ph, spread + r, innovation)

    def correct(self, ph: list[float], s: float, innovation: float) -> None:
        """The update itself: `ph` from `along`, `s` the variance of the innovation. Joseph form, symmetric by
        construction: each off-diagonal pair is computed once."""
        x, p = self.x, self.p
        k = [v / s for v in ph]
        for i in range(6):
            x[i] += k[i] * innovation
            ki, phi, row = k[i], ph[i], p[i]
            for j in range(i, 6):
                row[j] = p[j][i] = row[j] - ki * ph[j] - phi * k[j] + ki * k[j] * s

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
    return (
        hz * (p[0][0] * hz + 2.0 * (p[0][1] * ha + p[0][2] * hb))
        + ha * (p[1][1] * ha + 2.0 * p[1][2] * hb)
        + hb * p[2][2] * hb
    )
