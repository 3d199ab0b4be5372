"""LargeSignalSystem: one driver, its box and vent, in time and at any level.

With currents j = (i, s) of coil and winding, loop variables q_k and position x, one co-energy

    W'(j, q, x) = i Bl'' + s Bl_s'' + 1/2 L0 i^2 (1 + 2/3 c1 i + 1/2 c2 i^2) + M i s + 1/2 Ls s^2 + sum t_k G_k(q_k)

gives flux linkages (its derivatives by current), voltages (theirs by time) and the force (by position), so that energy closes
whatever the curves are. Loops k stand still in the iron: t_k dq_k/dt (1 + 2 g1 q + 3 g2 q^2) = r_k(x) i + r_sk(x) s - q_k.
Mechanics: M dv/dt = force - K(x_s) x_s - R (1 + growth v^2) v - Sd p; creep elements in series with the spring; the box is a
gas of constant exponent, the vent's air a mass with a resistance that grows with its speed.
Sources: the structure of W. Klippel, JAES 54 (2006) 907 (tutorial, from memory), without its fitted force terms: here they
follow from co-energy; Knudsen & Jensen, JAES 41 (1993) 3 (creep); Salvatti, Devantier & Button, JAES 50 (2002) 19 (vents).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DesignError, message
from evenfield.transducer import large_signal_kernel as kernel
from evenfield.transducer.box import HEAT_RATIO, ClosedBox, VentedBox
from evenfield.transducer.driver import Driver
from evenfield.transducer.large_signal_motor import LargeSignalMotor
from evenfield.transducer.position_curve import PositionCurve, table_of
from evenfield.transducer.suspension import Suspension

if TYPE_CHECKING:
    from evenfield.transducer.signals import Signal

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

BOX_LIMIT = 0.25
"""Largest share of the box's volume that may be drawn or pushed; beyond, the gas law's series is not trusted."""

VENT_LOSS = 1.5
"""Loss of a sharp-edged vent in velocity heads: 0.5 to enter, 1 to leave (handbook values; from memory)."""

STABLE = 2.4
"""Largest step times fastest decay; the method's own limit is 2.785 on the real axis."""

ENERGIES = ("source", "coil", "winding", "loops", "suspension", "box", "vent")
"""What `Run.energy` holds, J: taken from the source, then lost."""


@dataclass(frozen=True, eq=False)
class LargeSignalDriver:
    """A driver at any level.

    Parameters
        re : ohm, DC resistance at 20 degC
        sd : m2; mmd : kg, bare moving mass
        motor, suspension : over position
        rms : N s/m; rms_growth : s2/m2, Rms (1 + growth v^2)
        rear_air_mass : kg, as in `Driver`
        travel : (low, high) m where something is hit, or None: where the curves end
        temperature_coefficient : 1/K of the coil's wire
        static_force : N, constant (weight, a misplaced coil); 0 as a rule
        name : for messages
    """

    re: float
    sd: float
    mmd: float
    motor: LargeSignalMotor
    suspension: Suspension
    rms: float
    rms_growth: float = 0.0
    rear_air_mass: float = 0.0
    travel: tuple[float, float] | None = None
    temperature_coefficient: float = 0.00393
    static_force: float = 0.0
    name: str = "driver"

    @classmethod
    def of(
        cls,
        driver: Driver,
        motor: LargeSignalMotor,
        suspension: Suspension | None = None,
        *,
        agreement: float = 0.1,
        **more: object,
    ) -> LargeSignalDriver:
        """From small-signal parameters; Bl(0) and Kms(0) of the curves must agree with them within `agreement`.

        Without a suspension, compliance is constant over the motor's reach. `more`: any further field.
        """
        reach = max(abs(v) for v in motor.reach)
        suspension = suspension or Suspension.linear(driver.cms, reach)
        for what, curve, typed, unit in (
            ("Bl(0)", float(motor.force_factor(0.0)), driver.bl, "T m"),
            ("Kms(0)", 1 / suspension.compliance, 1 / driver.cms, "N/m"),
        ):
            if typed and abs(abs(curve) / typed - 1) > agreement:
                raise DesignError(
                    message(
                        f"{driver.name}: {what} of the curve",
                        f"within {100 * agreement:.0f} % of the parameter ({typed:.4g} {unit})",
                        f"{curve:.4g} {unit}",
                        cause="Two values for one part",
                        fix="leaving one out",
                    )
                )
        return cls(driver.re, driver.sd, driver.mmd, motor, suspension, driver.rms, rear_air_mass=driver.rear_air_mass,
                   name=driver.name, **more)  # type: ignore[arg-type]  # fmt: skip

    @property
    def reach(self) -> tuple[float, float]:
        """m, the range of positions that may be visited."""
        low, high = self.motor.reach
        k_low, k_high = self.suspension.stiffness.reach
        t_low, t_high = self.travel or (low, high)
        return max(low, k_low, t_low), min(high, k_high, t_high)

    @property
    def resonance_hz(self) -> float:
        """Hz, of bare mass and rear air in free air without the front's: near Fs, where creep is referred to."""
        return math.sqrt(1 / (self.suspension.compliance * (self.mmd + 2 * self.rear_air_mass))) / (2 * math.pi)

    def linear(self) -> Driver:
        """The same driver for small signals."""
        return Driver(self.re, abs(float(self.motor.force_factor(0.0))), self.mmd, self.suspension.compliance, self.rms, self.sd,
                      self.motor.coil_at(0.0), air_load=2 * self.rear_air_mass, name=self.name)  # fmt: skip

    def without_winding(self) -> LargeSignalDriver:
        """The same with its damping winding cut open."""
        return replace(self, motor=self.motor.without_winding())


@dataclass(frozen=True, eq=False)
class Run:
    """What a drive does.

    Parameters
        rate : Hz, of the instants kept
        status : 0 whole; 1 the coil reached the end of its travel or of the known curves; 2 the box was emptied beyond trust;
            3 no periodic state was found
        reason : the status in words, empty when whole
        displacement, current, winding_current, acceleration : (T,) m, A, A, m/s2
        vent_velocity, vent_acceleration : (T,) m/s, m/s2, mean over the opening; zeros without a vent
        state : the last state, to go on from
        energy : J, by `ENERGIES`; empty when not asked for
    """

    rate: float
    status: int
    reason: str
    columns: Real
    state: Real
    energy: dict[str, float] = field(default_factory=dict)

    @property
    def displacement(self) -> Real:  # noqa: D102
        return self.columns[:, 0]

    @property
    def current(self) -> Real:  # noqa: D102
        return self.columns[:, 2]

    @property
    def winding_current(self) -> Real:  # noqa: D102
        return self.columns[:, 1]

    @property
    def acceleration(self) -> Real:  # noqa: D102
        return self.columns[:, 4]

    @property
    def vent_velocity(self) -> Real:  # noqa: D102
        return self.columns[:, 5]

    @property
    def vent_acceleration(self) -> Real:  # noqa: D102
        return self.columns[:, 3]

    @property
    def time(self) -> Real:
        """(T,) s."""
        return np.arange(len(self.columns)) / self.rate


@dataclass(frozen=True, eq=False)
class LargeSignalSystem:
    """A driver in its box.

    Parameters
        driver : LargeSignalDriver
        box : ClosedBox, VentedBox, or None: no box
        air : Air
        radiation_mass : kg, generalised mass of the air in front: (1, 1), or (2, 2) of cone and all vents together (the low
            end of a solved radiation impedance over w), or None: a piston in a baffle each, without mutual mass
        source_resistance : ohm, amplifier and cable
        vent_loss : velocity heads lost in the vent at high speed; 0: friction stays as at small signals
        coil_temperature : degC, sets the coil's resistance
    Valid for: frequencies where diaphragm and vent air move as one and the box is one spring. Radiation resistance is left
    out of the motion (it is in the sound): some 1 % of the damping at resonance.
    """

    driver: LargeSignalDriver
    box: ClosedBox | None = None
    air: Air = field(default_factory=Air)
    radiation_mass: Real | None = None
    source_resistance: float = 0.0
    vent_loss: float = VENT_LOSS
    coil_temperature: float = 20.0

    @property
    def resistance(self) -> float:
        """ohm, coil at its temperature and source."""
        return self.driver.re * (1 + self.driver.temperature_coefficient * (self.coil_temperature - 20)) + self.source_resistance

    def warmed(self, coil_temperature: float, field_share: float = 1.0) -> LargeSignalSystem:
        """The same with its coil at a temperature (degC) and its magnet's field times `field_share`."""
        driver = self.driver if field_share == 1 else replace(self.driver, motor=self.driver.motor.cooled(field_share))
        return replace(self, driver=driver, coil_temperature=coil_temperature)

    @cached_property
    def masses(self) -> Real:
        """(2, 2) kg, of diaphragm and vent air with the air in front of both."""
        d = self.driver
        vent = self.box.vent if isinstance(self.box, VentedBox) else None
        front = np.zeros((2, 2))
        if self.radiation_mass is not None:
            given = np.asarray(self.radiation_mass, float)
            if given.shape != ((2, 2) if vent else (1, 1)) or not np.all(np.isfinite(given)):
                raise DesignError(message("radiation_mass", "finite, (1, 1), or (2, 2) with a vent", given.shape))
            front[: len(given), : len(given)] = given
        else:
            front[0, 0] = d.rear_air_mass
            if vent:
                front[1, 1] = 8 / 3 * self.air.density * vent.radius**3 * vent.number
        own = np.diag([d.mmd + d.rear_air_mass, vent.plug_mass(self.air) * vent.number if vent else 1.0])
        return np.asarray(own + front)

    @cached_property
    def parts(self) -> tuple[Real, Real, Real, Real, Real]:
        """(constants, table, suspension table, rungs, creep) as the inner loop reads them."""
        d, m = self.driver, self.driver.motor
        low, high = d.reach
        if not low < 0 < high:
            raise DesignError(message(f"{d.name}: range of the curves", "on both sides of rest", f"{low:.4g} to {high:.4g} m"))
        curves = [m.force_factor, m.le, *m.coupling]
        if m.winding is not None:
            w = m.winding
            none = PositionCurve(w.force_factor.displacement, np.zeros(len(w.force_factor.displacement)))
            curves += [w.force_factor, w.mutual, w.inductance, *(w.coupling or (none,) * len(m.coupling))]
        table = table_of(curves, low, high)
        rest = np.array([float(c(0.0)) for c in m.coupling])
        c1, c2 = m.flux_modulation
        safe = np.where(rest > 0, rest, 1.0)
        tau = m.time_constant
        rungs = np.array([tau, 1 / tau, np.where(rest > 0, c1 / safe, 0.0), np.where(rest > 0, c2 / safe**2, 0.0)])
        creep, share = np.zeros((2, 0)), 1.0
        if d.suspension.creep is not None and d.suspension.creep.strength > 0:
            each, slow, share = d.suspension.creep.chain(d.suspension.compliance, d.resonance_hz)
            creep = np.array([each, 1 / slow])
        spring = d.suspension.force_curve(share)
        return self._constants(low, high, spring.reach, table.shape[0]), table, table_of([spring], *spring.reach), rungs, creep

    def _constants(self, low: float, high: float, spring: tuple[float, float], cells: int) -> Real:
        d, k = self.driver, kernel
        c = np.zeros(k.CONSTANTS)
        c[k.X0], c[k.XN], c[k.PER_CELL] = low, high, cells / (high - low)
        c[k.K0], c[k.KN], c[k.K_PER_CELL] = spring[0], spring[1], cells / (spring[1] - spring[0])
        c[k.R_COIL], c[k.C1], c[k.C2] = self.resistance, *d.motor.flux_modulation
        c[k.SD], c[k.R_MS], c[k.R_MS2], c[k.STATIC] = d.sd, d.rms, d.rms * d.rms_growth, d.static_force
        if d.motor.winding is not None:
            c[k.HAS_WINDING], c[k.R_WINDING] = 1.0, d.motor.winding.resistance
        inverse = np.linalg.inv(self.masses)
        c[k.INV_CC], c[k.INV_CV], c[k.INV_VV] = inverse[0, 0], inverse[0, 1], inverse[1, 1]
        if self.box is None:
            return c
        box, air = self.box, self.air
        compliance = box.compliance(air)
        exponent = HEAT_RATIO / (1 + box.fill * (HEAT_RATIO - 1))
        series, leak = self._box_losses(compliance)
        c[k.HAS_BOX], c[k.BOX_LIMIT], c[k.PER_VOLUME] = 1.0, BOX_LIMIT, 1 / box.volume
        c[k.BOX_SERIES], c[k.BOX_LEAK], c[k.BOX_SHARE] = series, leak, 1 / (1 + series * leak)
        # the stiffness at rest is the small-signal one: P0 exponent / V = 1 / C
        pressure, term = box.volume / (compliance * exponent), 1.0
        for n in range(1, 13):
            term *= -(exponent + n - 1) / n
            c[k.SERIES + n - 1] = -pressure * term
        if isinstance(box, VentedBox):
            area = box.vent.area * box.vent.number
            c[k.HAS_VENT], c[k.SV] = 1.0, area
            c[k.R_VENT] = box.vent_resistance(air) * area**2
            c[k.VENT_LOSS] = 0.5 * air.density * area * self.vent_loss
            c[k.VENT_SMOOTH] = 0.01  # m/s: rounds |v| at zero
        return c

    def _box_losses(self, compliance: float) -> tuple[float, float]:
        """(series resistance, leak conductance) as in the small-signal circuit."""
        box, air = self.box, self.air
        assert box is not None
        if isinstance(box, VentedBox):
            reference = box.tuning_hz(air)
        else:
            d = self.driver
            stiffness = 1 / d.suspension.compliance + d.sd**2 / compliance
            reference = math.sqrt(stiffness / (d.mmd + 2 * d.rear_air_mass)) / (2 * math.pi)
        w = 2 * math.pi * (box.reference_hz or reference)
        return 1 / (w * compliance * box.q_absorption), w * compliance / box.q_leakage

    @property
    def vent_area(self) -> float:
        """m2, all vents together; 0 without one."""
        return self.box.vent.area * self.box.vent.number if isinstance(self.box, VentedBox) else 0.0

    @property
    def size(self) -> int:
        """Number of state variables."""
        _, _, _, rungs, creep = self.parts
        return int(6 + rungs.shape[1] + creep.shape[1])

    @cached_property
    def active(self) -> NDArray[np.int64]:
        """Places of the state variables that live."""
        c, _, _, rungs, creep = self.parts
        base = 4 + rungs.shape[1] + creep.shape[1]
        live = [0, 1, 2, *([3] if c[kernel.HAS_WINDING] else []), *range(4, base)]
        live += [base] if c[kernel.HAS_BOX] else []
        live += [base + 1] if c[kernel.HAS_VENT] else []
        return np.array(live)

    def slope(self, state: Real, voltage: float) -> Real:
        """Time derivative of a state. Raises DesignError outside the range."""
        c, table, k_table, rungs, creep = self.parts
        out = np.zeros(self.size)
        value, change = np.empty((2, table.shape[2]))
        status = kernel.slope(state, voltage, c, table, k_table, rungs, creep, out, value, change)
        if status:
            raise DesignError(self.words(status))
        return out

    def jacobian(self, displacement: float = 0.0) -> tuple[Real, Real]:
        """(A, B): the model made linear about a still position; A (n, n), B (n,) per volt."""
        n, at = self.size, np.zeros(self.size)
        at[0] = displacement
        step = 1e-6
        a = np.stack([(self.slope(at + e, 0.0) - self.slope(at - e, 0.0)) / (2 * step) for e in step * np.eye(n)], axis=1)
        return a, (self.slope(at, step) - self.slope(at, -step)) / (2 * step)

    def linear_response(self, frequency_hz: ArrayLike) -> Complex:
        """(n, F) complex: small-signal state per volt, e^{+jwt}."""
        a, b = self.jacobian()
        live = self.active
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        left = 2j * np.pi * f[:, None, None] * np.eye(len(live)) - a[np.ix_(live, live)]
        result = np.zeros((self.size, len(f)), complex)
        result[live] = np.linalg.solve(left, np.broadcast_to(b[live][:, None], (len(f), len(live), 1)))[:, :, 0].T
        return result

    @cached_property
    def fastest(self) -> float:
        """1/s, largest rate of decay anywhere in the range: sets the longest stable step."""
        low, high = self.driver.reach
        live = self.active
        places = np.linspace(0.98 * low, 0.98 * high, 9)
        return float(max(np.max(np.abs(np.linalg.eigvals(self.jacobian(x)[0][np.ix_(live, live)]))) for x in places))

    def words(self, status: int) -> str:
        """A status in words."""
        low, high = self.driver.reach
        span = f"{1e3 * low:.3g} to {1e3 * high:.3g} mm"
        return (
            "",
            f"{self.driver.name}: the coil left {span}, where it hits something or its curves end; nothing is extrapolated",
            f"the box's air was changed by more than {100 * BOX_LIMIT:.0f} %",
            "no periodic state was found: the drive may have two, or none",
        )[status]

    def stored_energy(self, state: Real) -> float:
        """J, in motion, springs, box and magnetic field (the permanent field's own energy left out)."""
        c, _, _, rungs, creep = self.parts
        m, d = self.driver.motor, self.driver
        count, creeps = rungs.shape[1], creep.shape[1]
        x, v, i, s = state[:4]
        base = 4 + count
        q, lag = state[4:base], state[base : base + creeps]
        c1, c2 = m.flux_modulation
        total = float(m.le(x)) * i**2 * (0.5 + 2 / 3 * c1 * i + 0.75 * c2 * i**2)
        total += float(np.sum(rungs[0] * q**2 * (0.5 + 2 / 3 * rungs[2] * q + 0.75 * rungs[3] * q**2)))
        if m.winding is not None:
            total += float(m.winding.mutual(x)) * i * s + 0.5 * float(m.winding.inductance(x)) * s**2
        spring = d.suspension.force_curve(self._spring_share())
        total += float(spring.integral(x - lag.sum())) + float(np.sum(0.5 * lag**2 / creep[0])) - d.static_force * x
        air = state[base + creeps + 1]
        motion = np.array([v, air])
        total += 0.5 * float(motion @ self.masses @ motion) if c[kernel.HAS_VENT] else 0.5 * self.masses[0, 0] * v**2
        if c[kernel.HAS_BOX]:
            share = state[base + creeps] / self.box.volume  # type: ignore[union-attr]
            powers = share ** np.arange(2, 14) / np.arange(2, 14)
            total += float(self.box.volume * (c[kernel.SERIES :] @ powers))  # type: ignore[union-attr]
        return float(total)

    def _spring_share(self) -> float:
        creep = self.driver.suspension.creep
        if creep is None or creep.strength == 0:
            return 1.0
        return creep.chain(self.driver.suspension.compliance, self.driver.resonance_hz)[2]

    def run(self, drive: Signal, *, rate: float = 48e3, state: Real | None = None, energy: bool = False,
            accuracy: float = 1e-6, repeat: int = 1) -> Run:  # fmt: skip
        """Drive the system with a signal, volts at the amplifier's output.

        Parameters
            drive : Signal
            rate : Hz, at which results are kept; inside, the smallest whole multiple of it that is stable, that leaves what
                lies at the top of the inner band below `accuracy` of the largest part of current and acceleration (so what
                folds back into the audio band lies lower still), is used
            state : to go on from; None: at rest
            repeat : plays a periodic drive so many times and keeps the last
            energy : integrate the powers too
        A run that leaves the known range stops there and says so in `status` and `reason`.
        """
        factor = self.oversampling(rate, drive.highest_hz)
        while True:
            result, clean = self._run_once(drive, rate, factor, state, energy, accuracy, repeat)
            if clean or factor >= 16 or result.status:
                return result
            factor *= 2

    def oversampling(self, rate: float, highest: float = 0.0) -> int:
        """Least whole number by which steps at `rate` must be shortened.

        To be stable, and to carry tones up to `highest` (Hz) within 0.01 dB: 24 steps a cycle, for 4 kHz at most. Above that
        the steps' own loss grows (at 96 kHz 0.01 dB at 6.4 kHz, measured on an example).
        """
        factor = 1
        while self.fastest / (rate * factor) > STABLE or rate * factor < 24 * min(highest, 4e3):
            factor += 1
        return factor

    def _run_once(self, drive: Signal, rate: float, factor: int, state: Real | None, energy: bool, accuracy: float,
                  repeat: int) -> tuple[Run, bool]:  # fmt: skip
        voltage = np.ascontiguousarray(drive.voltage(2 * rate * factor), dtype=float)
        voltage = voltage[: len(voltage) // 2 * 2]
        steps = len(voltage) // 2
        y = np.zeros(self.size) if state is None else np.array(state, float)
        h = 1 / (rate * factor)
        parts, none, quiet = self.parts, np.empty((0, kernel.RECORD)), np.empty(0)
        for _ in range(repeat - 1):
            status, done = kernel.run(y, voltage, 0, h, steps, 1, *parts, none, quiet)
            if status:
                return Run(rate, status, self._when(status, done * h), none, y), True
        record = np.empty((-(-steps // factor), kernel.RECORD))
        watts = np.zeros(8) if energy else quiet
        # the top of the inner band is looked at over a stretch kept at every step
        probe_steps = min(steps, 1 << 15)
        probe_at = steps - probe_steps if factor > 1 else steps
        head = probe_at // factor * factor
        status, done = kernel.run(y, voltage, 0, h, head, factor, *parts, record, watts)
        clean = True
        if not status and head < steps:
            inner = np.empty((steps - head, kernel.RECORD))
            status, more = kernel.run(y, voltage, 2 * head, h, steps - head, 1, *parts, inner, watts)
            done += more
            record[head // factor :] = inner[::factor]
            clean = _top_is_quiet(inner, accuracy)
        elif not status:
            clean = _top_is_quiet(record[-(1 << 15) :], accuracy)
        if status:
            kept = record[: done // factor]
            return Run(rate, status, self._when(status, done * h), kept, y), True
        lost = dict(zip(ENERGIES, watts[:7].tolist(), strict=True)) if energy else {}
        return Run(rate, 0, "", record, y, lost), clean

    def _when(self, status: int, seconds: float) -> str:
        return f"{self.words(status)} (after {seconds:.3g} s)"


def _top_is_quiet(record: Real, accuracy: float) -> bool:
    """True when the upper eighth of the band holds less than `accuracy` of the largest part of any column that matters."""
    if len(record) < 256:
        return True
    window = np.blackman(len(record)) ** 2
    for column in (2, 4):
        spectrum = np.abs(np.fft.rfft((record[:, column] - record[:, column].mean()) * window))
        if np.max(spectrum[len(spectrum) * 7 // 8 :]) > accuracy * np.max(spectrum):
            return False
    return True
