"""One simulated day at the stand, with its truth: regulator, line, element, meter and sensor of this file's own, so that
nothing of the program checks itself. Square-root law of element and line: any hydraulics handbook (from memory). Water:
G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 (from memory), as in tools/render. Invented throughout."""
import math
import random

STEP_S = 0.002
G = 9.80665
SCALE_U = 0.0005       # of a scale's reading, shared by all runs of a bucket test
REPEATS = 0.0005       # a turbine from one run to the next
REFERENCE_U = 0.0005   # of the reference gauge
AIR_SHARE = 0.00105    # what air carries of water weighed against steel, ISO 4185 (from memory)
# What a rig states of a day: every calibration; what is usual; a tap ahead of an element whose line nobody flowed.
KINDS = ("stated", "usual", "unknown")
LOSSLESS = "element"


def water_density(celsius):
    t = celsius
    top = 999.83952 + 16.945176 * t - 7.9870401e-3 * t**2 - 46.170461e-6 * t**3 + 105.56302e-9 * t**4 - 280.54253e-12 * t**5
    return top / (1 + 16.879850e-3 * t)


def draw(seed, kind):
    """A day's settings."""
    r = random.Random(seed)
    day = {"seed": seed, "kind": kind, "exit_mm": round(r.uniform(0.8, 2.0), 3), "cd": r.uniform(0.25, 0.75),
           "tap": r.choice(["element", "line", "tank"]) if kind != "unknown" else r.choice(["line", "tank"])}
    day["area_mm2"] = day["cd"] * math.pi / 4 * day["exit_mm"] ** 2
    day["loss_share"] = 0.0 if day["tap"] == LOSSLESS else r.uniform(0.02, 0.10)
    day["zero_bar"], day["span"] = r.gauss(0.0, 0.02), 1.0 + r.gauss(0.0, 0.002)
    day["bend_bar"] = r.gauss(0.0, 0.003)
    day["noise_bar"], day["resolution_bar"] = r.uniform(0.002, 0.008), r.choice([0.0, 0.001, 0.006])
    day["head_mm"] = r.uniform(-20.0, 80.0) if day["tap"] == LOSSLESS else r.uniform(-300.0, 1500.0)
    # Behind a shut valve the line is empty, or liquid hangs in it between tap and exit.
    day["hangs"] = r.random() < 0.5
    day["fill_pressure"] = r.uniform(0.9, 1.0)  # of the tank while the line fills, over its set pressure
    day["k_share"], day["k_tilt"], day["k_bend"] = r.gauss(0.0, 0.005), r.uniform(-0.005, 0.005), r.uniform(-0.003, 0.003)
    day["lag_s"] = r.uniform(0.02, 0.3)
    day["flow_column"] = r.choice(["pulse_hz", "pulse_hz", "flow_lpm"])
    day["rate_hz"] = r.choice([10.0, 20.0, 50.0, 100.0])
    day["fill_s"] = r.choice([0.0, r.uniform(0.05, 1.5)])
    day["t0_c"], day["t_drift_c"] = r.uniform(12.0, 28.0), r.uniform(-3.0, 3.0)
    day["temperature_logged"] = r.random() < 0.6
    lowest = r.uniform(1.0, 2.5)
    count = r.randint(3, 7)
    levels = [lowest * 1.35**i for i in range(count)]
    direction = r.choice(["rising", "falling", "both", "shuffled"])
    if direction == "falling":
        levels.reverse()
    elif direction == "both":
        levels = levels + levels[-2::-1]
    elif direction == "shuffled":
        r.shuffle(levels)
    day["levels_bar"], day["direction"] = levels, direction
    hold = max(2.0, 12.0 * day["lag_s"])
    day["holds_s"] = [r.uniform(hold, hold + 2.5) for _ in levels]
    day["shuts_between"] = r.random() < 0.25
    day["rise_s"], day["overshoot"] = r.uniform(0.03, 0.15), r.uniform(0.0, 0.15)
    day["droop"] = r.uniform(0.0, 0.02)             # share of the level over a hold
    day["dip_share"] = r.choice([0.0, 0.0, 0.1, 0.3])  # one short dip in some hold
    day["wander"] = 0.002
    day["mid_l_s"] = litres_s_at(day, math.sqrt(min(levels) * max(levels)))
    return day


def litres_s_at(day, total_bar):
    """Through line and element in a row."""
    return 1e3 * day["area_mm2"] * 1e-6 * math.sqrt(2e5 * (1.0 - day["loss_share"]) * total_bar / 998.0)


def blank_levels(day):
    """What the line is flowed at with the element removed: enough for the sensor to see it over head and zero."""
    least = 0.25 + max(0.0, day["head_mm"] * 1e-4)
    return [least * 1.5**i for i in range(4)]


def true_k(day, litres_s):
    """Pulses a litre, bent over the rate; for a rate's column the meter's factor in the same way."""
    x = math.log(max(litres_s, 0.02 * day["mid_l_s"]) / day["mid_l_s"])
    return 20000.0 * (1.0 + day["k_share"] + day["k_tilt"] * x + day["k_bend"] * x * x)


def shown_bar(day, true_bar):
    """The sensor's line, and its bend about it."""
    x = max(0.0, true_bar) / max(day["levels_bar"])
    return day["zero_bar"] + day["span"] * true_bar + day["bend_bar"] * math.sin(2.0 * math.pi * x)


class Flowing:
    """What truly happens, and what the log shows of it."""

    def __init__(self, day, seed, with_element=True):
        self.day, self.r = day, random.Random(seed)
        self.resistance = 1.0 / (2.0 * (day["area_mm2"] * 1e-6) ** 2)                 # Pa / (kg/m3 (m3/s)^2)
        self.line = day["loss_share"] / (1.0 - day["loss_share"]) * self.resistance
        self.with_element = with_element
        self.points, self.rows = [], []
        self.true_t, self.true_drop, self.true_q, self.true_rho = [], [], [], []

    def temperature(self, t):
        return self.day["t0_c"] + self.day["t_drift_c"] * t / self.length_s

    def plan(self):
        """Valve and set pressure over time: (t0, t1, level or None where shut)."""
        day, t, plan = self.day, 0.0, []
        plan.append((0.0, self.r.uniform(1.5, 3.0), None))
        t = plan[-1][1]
        for k, (level, hold) in enumerate(zip(day["levels_bar"], day["holds_s"])):
            if k and day["shuts_between"]:
                plan.append((t, t + 1.5, None))
                t += 1.5
            first = plan[-1][2] is None
            extra = day["fill_s"] if k == 0 else 0.0
            plan.append((t, t + hold + extra, level, first, extra))
            t += hold + extra
        plan.append((t, t + 1.5, None))
        return plan

    def flow(self):
        day, r = self.day, self.r
        plan = self.plan()
        self.length_s = plan[-1][1]
        dipped = r.randrange(len(day["levels_bar"])) if day["dip_share"] else -1
        rho0 = water_density(day["t0_c"])
        log_step, next_row = 1.0 / day["rate_hz"], 0.0
        q_meter, phase, counted, before_bar = 0.0, r.random(), 0, 0.0
        wander, repeats = 0.0, 1.0
        t, k = 0.0, -1
        shown_q = shown_n = 0.0
        lag_share = 1.0 - math.exp(-STEP_S / day["lag_s"])
        for piece in plan:
            level = piece[2]
            if level is not None:
                k += 1
                t_open, extra = piece[0], piece[4]
                repeats = 1.0 + r.gauss(0.0, REPEATS)
                # A tank's regulator stands at the level already when the valve opens.
                if piece[3]:
                    filled = 0.04 * level + rho0 * G * day["head_mm"] * 1e-8 if extra else 0.0
                    before_bar = level if day["tap"] == "tank" else max(0.0, filled)
                dip_at = r.uniform(t_open + extra + 0.4 * day["holds_s"][k], piece[1] - 0.2)
                dip_s = r.uniform(0.03, 0.08)
            while t < piece[1]:
                rho = water_density(self.temperature(t))
                head_bar = rho * G * day["head_mm"] * 1e-3 / 1e5
                wander += -wander * STEP_S / 0.5 + day["wander"] * math.sqrt(2 * STEP_S / 0.5) * r.gauss(0, 1)
                drop_bar = q = 0.0
                if level is None:
                    # Shut: before the valve the tank waits at the next level; behind it the line is open to the air.
                    tap_bar = self.waiting(plan, piece, before_bar, t) - head_bar if day["tap"] == "tank" else (
                        -head_bar if day["hangs"] else 0.0)
                else:
                    since = t - t_open
                    # Set point, with overshoot that rings out; both settle from the moment the pressure can build up.
                    held = since - extra
                    late = max(0.0, held)
                    swing = math.exp(-late / day["rise_s"])
                    ring = day["overshoot"] * math.exp(-late / (3 * day["rise_s"])) * math.sin(
                        min(2 * math.pi, late / day["rise_s"]))
                    total_bar = (level + (before_bar - level) * swing + (level - before_bar) * ring)
                    total_bar *= 1.0 + wander + day["droop"] * (0.5 - min(1.0, late / day["holds_s"][k]))
                    if k == dipped:
                        total_bar *= 1.0 - day["dip_share"] * math.exp(-((t - dip_at) / (0.5 * dip_s)) ** 2)
                    resistance = self.line + (self.resistance if self.with_element else 0.0)
                    if held < 0.0:
                        # The line fills: the liquid runs freely, nothing has reached the element.
                        q = math.sqrt(1e5 * level / (rho * (self.line + 0.2 * self.resistance)))
                        tap_bar = day["fill_pressure"] * level - head_bar if day["tap"] == "tank" else 0.04 * level
                    else:
                        q = math.sqrt(1e5 * max(total_bar, 0.0) / (rho * resistance))
                        drop_bar = rho * self.resistance * q * q / 1e5
                        tap_bar = total_bar - head_bar
                q_meter += (q - q_meter) * lag_share
                litres_s = 1e3 * q_meter
                factor = repeats * true_k(day, litres_s) if litres_s > 0 else 20000.0
                phase += litres_s * factor * STEP_S
                shown_q += litres_s * factor / 20000.0
                shown_n += 1
                self.true_t.append(t)
                self.true_drop.append(drop_bar)
                self.true_q.append(q if drop_bar > 0.0 else 0.0)
                self.true_rho.append(rho)
                if t >= next_row - 1e-9:
                    self.row(t, tap_bar, phase, counted, log_step, shown_q / shown_n)
                    counted, shown_q, shown_n = math.floor(phase), 0.0, 0
                    next_row += log_step
                t += STEP_S
            if level is not None:
                self.points.append((t_open + extra, piece[1], level))
                before_bar = level
        return self

    def waiting(self, plan, piece, before_bar, t):
        """A tank behind a shut valve is brought to the next level within a second."""
        level = next((p[2] for p in plan if p[2] is not None and p[0] >= t), plan[-2][2])
        if not before_bar:
            return level
        return before_bar + (level - before_bar) * min(1.0, (t - piece[0]) / 1.0)

    def row(self, t, tap_bar, phase, counted, log_step, shown_l_s):
        day, r = self.day, self.r
        read = shown_bar(day, tap_bar) + r.gauss(0.0, day["noise_bar"])
        if day["resolution_bar"]:
            read = round(read / day["resolution_bar"]) * day["resolution_bar"]
        if day["flow_column"] == "pulse_hz":
            flow = (math.floor(phase) - counted) / log_step
        else:
            flow = 60.0 * shown_l_s * (1.0 + r.gauss(0.0, 0.004))
        self.rows.append((t, read, flow, self.temperature(t) + r.gauss(0.0, 0.05)))

    def log_text(self):
        day = self.day
        lines = ["time_s,pressure_bar," + day["flow_column"] + (",temperature_c" if day["temperature_logged"] else "")]
        for t, bar, flow, celsius in self.rows:
            lines.append(f"{t:.4f},{bar:.5f},{flow:.6g}" + (f",{celsius:.2f}" if day["temperature_logged"] else ""))
        return "\n".join(lines) + "\n"

    def truth(self, t0_s, t1_s):
        """Means over a stretch of log time: drop in bar, flow in kg/s, flow area in mm2."""
        first, last = max(0, math.ceil(t0_s / STEP_S - 1e-6)), min(len(self.true_t) - 1, math.floor(t1_s / STEP_S + 1e-6))
        n = last - first + 1
        drop = math.fsum(self.true_drop[first:last + 1]) / n
        flow = math.fsum(self.true_q[i] * self.true_rho[i] for i in range(first, last + 1)) / n
        return {"pressure_bar": drop, "flow_kg_s": flow, "flow_area_mm2": self.day["area_mm2"], "cd": self.day["cd"]}


def bucket_test(day, r, low_l_s, high_l_s):
    """The meter run into a bucket on a scale: what is written down. The scale's share of error is the day's."""
    pulses = day["flow_column"] == "pulse_hz"
    lines = ["mass_kg,time_s," + ("pulses" if pulses else "flow_lpm")]
    rho, scale = water_density(20.0 + r.gauss(0.0, 1.0)), 1.0 + r.gauss(0.0, SCALE_U)
    air = AIR_SHARE * (1.0 + r.gauss(0.0, 0.025))  # weather
    for i in range(6):
        litres_s = low_l_s + (high_l_s - low_l_s) * i / 5.0
        for _ in range(3):
            seconds = 300.0
            litres = litres_s * seconds
            kg = litres * 1e-3 * rho * (1.0 - air) * scale + r.gauss(0.0, 0.0005)
            count = litres * true_k(day, litres_s) * (1.0 + r.gauss(0.0, REPEATS))
            lines.append(f"{kg:.5f},{seconds + r.gauss(0.0, 0.1):.2f},"
                         + (f"{count:.0f}" if pulses else f"{60.0 * count / 20000.0 / seconds:.6f}"))
    return "\n".join(lines) + "\n"


def sensor_test(day, r, highest_bar):
    """The sensor beside a reference gauge, up and down again."""
    lines, reference = ["true_bar,read_bar"], 1.0 + r.gauss(0.0, REFERENCE_U)
    up = [highest_bar * i / 5.0 for i in range(6)]
    for bar in up + up[-2::-1]:
        lines.append(f"{bar * reference:.5f},{shown_bar(day, bar) + r.gauss(0.0, 0.001):.5f}")
    return "\n".join(lines) + "\n"


def blank_run(day, another_day, seed):
    """The same line with the element removed, throttled."""
    blank = dict(day, levels_bar=blank_levels(day), shuts_between=False, fill_s=0.0, dip_share=0.0, overshoot=0.0,
                 droop=0.0, t_drift_c=0.0, holds_s=[8.0] * 4)
    if another_day:  # and a sensor that has not been calibrated has moved meanwhile
        blank["zero_bar"] = random.Random(f"{seed}:zero").gauss(0.0, 0.02)
    return Flowing(blank, seed, with_element=False).flow()
