#!/usr/bin/python3
"""Makes the demo scenario in sample_frames/: invented, rendered, the same bytes every time on the same build.

    make_sample.py --renderer BUILD/tools/render/conebook_render [--out sample_frames]
"""
import argparse
import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import tomllib

COMMON = dict(light="backlit", film="clear", container="mp4", codec="h264", sync_written=1, stations_written=0,
              lens_file=0, breakup_in_view=1, r0_mm=0.56, exit_diameter_mm=1.2, pulsation_deg=0, log_mapped=0,
              log_temperature=0, log_flow="flow_lpm", log_rate_hz=50, temperature_c=17.4, rated_bar=16, wave_growth=3.2,
              state_illumination=1, tap_above_exit_mm=0, axis_written=1, tilt_written=1, distance_written=1,
              focal_written=0, area_written=0, exit_written=1)
PHONE = dict(camera="phone", clean=0, prespray=1, width=800, height=600, fps=30, rotation=0, quality=21,
             bit_rate_mbit=0, full_range=0, variable_rate=1, exposure_s=8e-5, px_per_mm=11.2, distance_mm=420,
             exit_x_px=404, exit_y_px=66, axis_deg=0.6, tilt_deg=0.8, full_well=9000, read_noise=0.0015, haze=0.02,
             shake_px=0.3, window_drops=2, flicker=0.006, exposure_drift=0.01, limb_depth=1.3, interior_depth=0.02,
             blur_px=0.9, meter_lag_s=0.06, holder=5.5, tip=2.4, field=0.62, sharpen=0.1)
FAST = dict(camera="highspeed", clean=1, prespray=1, width=640, height=480, fps=4000, frames=110, quality=18,
            bit_rate_mbit=0, full_range=0, exposure_s=8e-6, px_per_mm=13.5, distance_mm=600, exit_x_px=318,
            exit_y_px=52, axis_deg=0.2, tilt_deg=-0.6, limb_depth=1.5, interior_depth=0.02, blur_px=0.8,
            pressures_bar="4.20", log_rate_hz=100, meter_lag_s=0.05, holder=5.5, tip=2.4, field=0.66)
CLIPS = [
    ("R03", "reamed", 3, dict(PHONE, pressures_bar="3.00/4.60/7.00", half_angle_deg=37.2, angle_rise_deg=0.7, cd=0.322,
                              breakup_mm=24.5, breakup_power=0.35, breakup_scatter=0.09, wave_mm=0.22, d32_um=210,
                              lean_deg=0.3)),
    ("R07", "reamed", 7, dict(PHONE, pressures_bar="3.00/6.40", half_angle_deg=36.6, angle_rise_deg=0.7, cd=0.318,
                              breakup_mm=23.6, breakup_power=0.35, breakup_scatter=0.09, wave_mm=0.25, d32_um=215,
                              lean_deg=-0.4, variable_rate=0, exit_x_px=398, exit_y_px=70)),
    ("S02", "spark_eroded", 2, dict(FAST, half_angle_deg=33.9, angle_rise_deg=0.7, cd=0.351, breakup_mm=18.5,
                                    breakup_scatter=0.12, wave_mm=0.3, d32_um=240, lean_deg=0.9)),
]
README = """# Sample test day: invented, rendered

Nothing here was filmed. A burner workshop that does not exist flows three monel swirl elements of two batches, inlets
reamed (R03, R07) and inlets spark-eroded (S02), in cold water, films two of them with a phone at several pressures and
one with a high-speed camera while its valve opens. `tools/render` drew the pictures and the stand's log; what it put
in is in truth.json beside each clip's name, so that a measurement can be held against it.

    conebook measure --sheet sample_frames/DAY.toml

| file | what |
|---|---|
| DAY.toml | the test-day sheet |
| rig.toml | stand and camera, as set up for the first clip; the sheet notes what was different later |
| R03.mp4, R07.mp4 | phone, {r03} and {r07} frames, backlit clear water, valve opens in view |
| S02.mp4 | high-speed, {s02} frames at 4000 per second |
| *_log.csv | pressure and flow |
| *_truth.json | what was rendered: angle, breakup length, flow, camera |

Made by `tools/render/make_sample.py`; the same build makes the same bytes. Pressurised water and its jets cut and
blind: on a real stand follow your local pressure-equipment rules, wear eye protection, keep the rated pressure.
"""


def toml_value(value):
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    return repr(value)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--renderer", required=True)
    parser.add_argument("--out", default=str(pathlib.Path(__file__).resolve().parents[2] / "sample_frames"))
    options = parser.parse_args()
    out = pathlib.Path(options.out)
    out.mkdir(parents=True, exist_ok=True)
    rigs, frames = {}, {}
    with tempfile.TemporaryDirectory() as temporary:
        for element, batch, seed, settings in CLIPS:
            folder = pathlib.Path(temporary) / element
            values = dict(COMMON, **settings)
            values.update(element=element, batch=batch)
            subprocess.run([options.renderer, "--seed", str(seed), "--out", str(folder), "--set"]
                           + [f"{key}={value}" for key, value in values.items()], check=True)
            shutil.copy(folder / "clip.mp4", out / f"{element}.mp4")
            shutil.copy(folder / "log.csv", out / f"{element}_log.csv")
            shutil.copy(folder / "truth.json", out / f"{element}_truth.json")
            rigs[element] = tomllib.loads((folder / "rig.toml").read_text())
            frames[element] = json.loads((folder / "truth.json").read_text())["true"]["frames"]
            if element == CLIPS[0][0]:
                text = (folder / "rig.toml").read_text().replace("# Invented, rendered.", "# Invented, rendered: the sample test day's stand.")
                (out / "rig.toml").write_text(text)
    base = rigs[CLIPS[0][0]]
    sheet = '# Invented, rendered: see README.md.\n[day]\nname = "Sample test day (invented)"\ndate = "2031-05-04"\nrig = "rig.toml"\n'
    for element, batch, _, _ in CLIPS:
        sheet += f'\n[[clip]]\nfile = "{element}.mp4"\nelement = "{element}"\nbatch = "{batch}"\nlog = "{element}_log.csv"\n'
        for section, keys in rigs[element].items():
            if section == "element":
                continue
            changed = {k: v for k, v in keys.items() if base.get(section, {}).get(k) != v}
            # A value and its u belong together.
            for key in list(changed):
                plain = key.removeprefix("u_")
                for partner in (plain, "u_" + plain):
                    if partner in keys:
                        changed[partner] = keys[partner]
            gone = [k for k in base.get(section, {}) if k not in keys]
            if gone:
                sys.exit(f"make_sample: {element} lacks [{section}] {gone}, which rig.toml has")
            if changed:
                sheet += f"[clip.rig.{section}]\n"
                sheet += "".join(f"{k} = {toml_value(changed[k])}\n" for k in keys if k in changed)
    (out / "DAY.toml").write_text(sheet)
    (out / "README.md").write_text(README.format(r03=frames["R03"], r07=frames["R07"], s02=frames["S02"]))
    total = sum(f.stat().st_size for f in out.iterdir())
    for f in sorted(out.iterdir()):
        print(f"{f.stat().st_size:9d}  {f.name}")
    print(f"{total / 1e6:9.2f} MB in all")
    return 0 if total < 12e6 else 1


if __name__ == "__main__":
    sys.exit(main())
