"""Scenarios for flag_gallery.py: rendered clips, invented stand logs, rigs, and runs of `conebook measure` on them."""
import csv
import io
import json
import math
import pathlib
import random
import shutil
import subprocess
import tomllib

import cv2

DENSITY = 998.6        # kg/m3, water at 18 C
AREA_MM2 = 0.373       # flow area of the invented element
LITRE_MIN_PER_G_S = 60.0 / DENSITY
# One small clip that nothing is wrong with; every scenario changes some of it.
CLIP = dict(light="backlit", film="clear", container="mp4", codec="h264", sync_written=0, stations_written=0, lens_file=0,
            breakup_in_view=1, r0_mm=0.56, exit_diameter_mm=1.2, pulsation_deg=0, log_mapped=0, log_temperature=0,
            log_flow="flow_lpm", log_rate_hz=50, temperature_c=17.4, rated_bar=10, state_illumination=1,
            tap_above_exit_mm=0, axis_written=1, tilt_written=1, distance_written=1, focal_written=0, area_written=0,
            exit_written=1, camera="phone", clean=1, prespray=1, width=480, height=360, fps=30, rotation=0, quality=18,
            bit_rate_mbit=0, full_range=0, variable_rate=0, exposure_s=8e-5, px_per_mm=8.2, distance_mm=420,
            exit_x_px=241, exit_y_px=46, axis_deg=0.4, tilt_deg=0.5, haze=0, shake_px=0, window_drops=0, flicker=0,
            exposure_drift=0, limb_depth=1.4, interior_depth=0.02, blur_px=0.8, meter_lag_s=0.05, holder=5.5, tip=2.4,
            field=0.66, half_angle_deg=34, angle_rise_deg=0.7, cd=0.33, breakup_mm=19, breakup_power=0.3,
            breakup_scatter=0.1, wave_mm=0.2, wave_growth=3.2, d32_um=260, lean_deg=0.3, element="A07",
            batch="invented", pressures_bar="4.0", hold_1_s=1.6, frames=50)
TWO_POINTS = dict(pressures_bar="3.0/5.0", hold_1_s=1.2, hold_2_s=1.2, frames=79)
RIG = {"element": {"id": "A07", "batch": "invented"},
       "nozzle": {"exit_diameter_mm": 1.2, "u_exit_diameter_mm": 0.002},
       "stand": {"liquid": "water", "temperature_c": 18.0, "u_temperature_c": 0.3, "rated_bar": 10.0},
       "meter": {"u_percent": 0.3}, "pressure": {"u_percent": 0.2}}


class NotRaised(Exception):
    pass


class StandLog:
    """time_s, pressure_bar, flow_l_min (or None), and the same flow in g/s for charts."""

    def __init__(self, time_s, pressure_bar, flow_l_min):
        self.time_s, self.pressure_bar, self.flow_l_min = time_s, pressure_bar, flow_l_min

    @property
    def flow_g_s(self):
        return None if self.flow_l_min is None else [q / LITRE_MIN_PER_G_S for q in self.flow_l_min]

    @staticmethod
    def read(path):
        rows = list(csv.DictReader(io.StringIO(path.read_text())))
        return StandLog([float(r["time_s"]) for r in rows], [float(r["pressure_bar"]) for r in rows],
                        [float(r["flow_lpm"]) for r in rows])

    def text(self, header=("time_s", "pressure_bar", "flow_lpm")):
        lines = [",".join(header)]
        for k, t in enumerate(self.time_s):
            cells = [f"{t:.3f}", f"{self.pressure_bar[k]:.4f}"]
            if self.flow_l_min is not None:
                cells.append(f"{self.flow_l_min[k]:.5f}")
            lines.append(",".join(cells))
        return "\n".join(lines) + "\n"


def steps(*levels, start=0.8, hold=1.6, rise=0.04, close=0.8):
    """Pressure over time: levels one after the other, then shut."""
    def pressure(t):
        value, before = 0.0, 0.0
        for k, level in enumerate(levels):
            since = t - start - k * hold
            value += (level - before) * (1.0 - math.exp(-since / rise) if since > 0.0 else 0.0)
            before = level
        since = t - start - len(levels) * hold
        return value * (math.exp(-since / rise) if since > 0.0 else 1.0)
    pressure.end_s = start + len(levels) * hold + close
    return pressure


def made_log(pressure, end_s=None, rate_hz=50, area_mm2=AREA_MM2, lag_s=0.03, noise_bar=0.004, noise_flow=0.002, seed=1):
    """What an invented stand would log; flow by the square-root law, through a meter of first order."""
    draw = random.Random(seed)
    end_s = end_s or pressure.end_s
    log = StandLog([], [], [])
    metered = 0.0
    for k in range(int(round(end_s * rate_hz)) + 1):
        t = k / rate_hz
        for fine in range(20):
            p = max(0.0, pressure(t - (20 - fine) / 20.0 / rate_hz)) if k else 0.0
            g_s = area_mm2 * 1e-3 * math.sqrt(2.0 * DENSITY * 1e5 * p)
            metered += (g_s - metered) * -math.expm1(-1.0 / (20.0 * rate_hz * lag_s))
        log.time_s.append(t)
        log.pressure_bar.append(pressure(t) + noise_bar * draw.gauss(0.0, 1.0))
        log.flow_l_min.append(LITRE_MIN_PER_G_S * metered * (1.0 + noise_flow * draw.gauss(0.0, 1.0)))
    return log


def edited(rig, **changes):
    """rig with [section] keys changed: section={key: value}; None takes a key, or its u_ with it, out."""
    result = {section: dict(keys) for section, keys in rig.items()}
    for section, keys in changes.items():
        part = result.setdefault(section, {})
        for key, value in keys.items():
            part.pop("u_" + key, None)
            part.pop(key, None)
            if value is not None:
                part[key] = value
        if not part:
            del result[section]
    return result


def toml_text(rig):
    def value(v):
        return json.dumps(v) if isinstance(v, str) else "[" + ", ".join(map(value, v)) + "]" if isinstance(v, list) else repr(v)
    return "".join(f"[{section}]\n" + "".join(f"{k} = {value(v)}\n" for k, v in keys.items()) + "\n"
                   for section, keys in rig.items())


class Run:
    """One result, and what it was made of."""

    def __init__(self, result, log=None, frames=None, film=None, rig=None):
        self.result, self.log, self._frames, self._film, self.rig = result, log, frames, film, rig

    def flag(self, code):
        return next((f for f in self.result["flags"] if f["code"] == code), None)

    @property
    def points(self):
        return self.result["points"]

    def log_spans(self):
        return [(p["log_t0_s"], p["log_t1_s"]) for p in self.points if p["log_t0_s"] is not None]

    def clip_span(self):
        offset = self.result["sync"]["log_minus_video_s"]["value"]
        return offset, offset + self.result["footage"]["duration_s"]

    def used_spans(self):
        offset = self.clip_span()[0]
        return [(offset + p["t0_s"], offset + p["t1_s"]) for p in self.points if p["t0_s"] is not None]

    def frames(self):
        return read_frames(self._frames)

    def overlay(self, part=0.6):
        """The program's own overlay, at that part of the film."""
        film = read_frames(self._film)
        return film[min(len(film) - 1, int(part * len(film)))]


def read_frames(path):
    if path.is_dir():
        return [cv2.imread(str(p)) for p in sorted(path.iterdir())]
    capture, frames = cv2.VideoCapture(str(path)), []
    while True:
        good, picture = capture.read()
        if not good:
            return frames
        frames.append(picture)


class Bench:
    def __init__(self, program, renderer, folder):
        self.program, self.renderer, self.folder = program, renderer, pathlib.Path(folder)
        self._rendered, self._count = {}, 0

    def clip(self, negative=None, seed=5, **settings):
        """Folder with clip.mp4, rig.toml, log.csv; rendered once for the same settings."""
        values = dict(CLIP, **settings)
        key = json.dumps([negative, seed, values], sort_keys=True)
        if key not in self._rendered:
            out = self.folder / f"clip{len(self._rendered):02d}"
            subprocess.run([self.renderer, "--seed", str(seed), "--out", str(out), "--fast"]
                           + (["--negative", negative] if negative else []) + ["--set"]
                           + [f"{k}={v}" for k, v in values.items()], check=True)
            self._rendered[key] = out
        return self._rendered[key]

    def rig_of(self, clip):
        return tomllib.loads((clip / "rig.toml").read_text())

    def frames_of(self, clip):
        return [cv2.cvtColor(f, cv2.COLOR_BGR2GRAY) for f in read_frames(clip / "clip.mp4")]

    def frame_folder(self, frames):
        self._count += 1
        out = self.folder / f"frames{self._count:02d}"
        out.mkdir()
        for k, picture in enumerate(frames):
            cv2.imwrite(str(out / f"{k:04d}.png"), picture)
        return out

    def measure(self, footage=None, rig=None, log=None, readings=None):
        """log: a StandLog, or the text of one. Exit status other than measured or rejected is an error."""
        self._count += 1
        out = self.folder / f"run{self._count:02d}"
        out.mkdir()
        (out / "rig.toml").write_text(toml_text(rig))
        if log is not None:
            (out / "log.csv").write_text(log if isinstance(log, str) else log.text())
        film = None
        if readings:  # by hand, on a test-day sheet
            shutil.copy(footage, out / "clip.mp4")
            (out / "DAY.toml").write_text(f'[day]\nname = "invented"\nrig = "rig.toml"\n\n[[clip]]\nfile = "clip.mp4"\n'
                                          f'element = "A07"\nreadings = [{", ".join(readings)}]\n')
            words = ["--sheet", "DAY.toml", "--json", "."]
            result = out / "clip.json"
        else:
            words = ["--rig", "rig.toml", "--json", "result.json"] + (["--log", "log.csv"] if log is not None else [])
            result = out / "result.json"
            if footage:
                film = out / "film.mp4"
                words = [str(footage)] + words + ["--overlay", "film.mp4"]
        done = subprocess.run([self.program, "measure", *words, "--quiet"], cwd=out, capture_output=True, text=True)
        if done.returncode not in (0, 3) or not result.is_file():
            raise NotRaised(f"conebook ended with {done.returncode}: {done.stderr.strip()}")
        return Run(json.loads(result.read_text()), None if isinstance(log, str) else log, footage,
                   film if film and film.is_file() else None, rig)
