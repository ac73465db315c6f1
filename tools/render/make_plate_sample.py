#!/usr/bin/python3
"""Writes the sample stock of sample_frames/plate: invented result files of 32 elements, and where each one is.

    tools/render/make_plate_sample.py OUT [--seed 7]

Nothing here was flowed or filmed: numbers are drawn, with errors of the size that conebook states. Then:

    conebook import OUT/*.json OUT/stock.csv --archive OUT/book.db
    conebook match --archive OUT/book.db --plate sample_frames/plate/P2.toml
"""
import argparse
import json
import math
import pathlib
import random

DENSITY = 998.6  # water at 18 C
BARS = (2.0, 4.0, 6.0, 8.0)


def quantity(value, parts):
    """parts: {(source, shared): standard uncertainty}"""
    u = math.sqrt(sum(part * part for part in parts.values()))
    return {"value": value, "u": u, "lo95": value - 1.96 * u, "hi95": value + 1.96 * u,
            "budget": [{"source": source, "u": part, "shared": shared} for (source, shared), part in parts.items()]}


def area_of(value):
    return quantity(value, {("meter's calibration", "meter"): 0.003 * value, ("scatter", "frames"): 0.0008 * value,
                            ("mounting", "clip"): 0.001 * value, ("liquid's temperature", "day"): 0.0003 * value})


def result(element, batch, date, rig, area, angle):
    points = []
    for n, bar in enumerate(BARS):
        here = area * (1.0 + 0.002 * (bar - 6.0) / 6.0)
        flow = here * 1e-6 * math.sqrt(2.0 * DENSITY * bar * 1e5)
        points.append({
            "t0_s": None, "t1_s": None, "frames": 0, "log_t0_s": 5.0 * n + 1.0, "log_t1_s": 5.0 * n + 4.0,
            "pressure_bar": quantity(bar, {("sensor", "meter"): 0.002 * bar}),
            "flow_kg_s": quantity(flow, {("meter's calibration", "meter"): 0.003 * flow}),
            "flow_area_mm2": area_of(here), "cd": None, "half_angle_deg": None, "apparent_half_angle_deg": None,
            "sheet_half_angle_deg": None,
            "cone_half_angle_deg": None if angle is None else quantity(angle + 0.05 * (bar - 6.0), {
                ("tilt", "rig"): 0.2, ("fit", "frames"): 0.06, ("mounting", "clip"): 0.08}),
            "breakup_mm": None, "d32_um": None, "pulsation": None})
    return {
        "schema": "conebook.run/1", "verdict": "ok", "program": {"version": "0.1.0", "build": "invented"}, "flags": [],
        "element": element, "batch": batch, "kind": "swirl", "date": date, "date_from": "stated",
        "inputs": {"rig_sha256": rig, "log": None, "calibrations": []},
        "settings": {"rig": {"element": {"id": element}, "meter": {"k_factor_per_l": 20000.0}}, "steady": {}},
        "footage": None, "scale": {"px_per_mm": None}, "stations_mm": None, "lean_against": "rig_axis", "sync": None,
        "flow_law": {"flow_area_mm2": area_of(area), "cd": None, "exponent": None}, "points": points}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=pathlib.Path)
    parser.add_argument("--seed", type=int, default=7)
    arguments = parser.parse_args()
    draw = random.Random(arguments.seed)
    arguments.out.mkdir(parents=True, exist_ok=True)
    stock = ["element,state,plate,date"]
    names = [f"R{n}" for n in range(11, 28)] + [f"S{n}" for n in range(11, 26)]
    for i, name in enumerate(names):
        reamed = name[0] == "R"
        area = 0.800 * (1.0 + draw.gauss(0.0, 0.010) - (0.0 if reamed else 0.006))
        angle = 35.0 + draw.gauss(0.0, 0.6) + (0.0 if reamed else 0.5)
        if name == "S19":
            area *= 1.05  # a bore too wide
        if name == "R24":
            angle = None  # flowed, not yet filmed
        date = "2031-05-06" if i % 2 == 0 else "2031-05-07"
        run = result(name, "reamed" if reamed else "spark-eroded", date, f"{1 + i % 2:064x}",
                     area * (1.0 + draw.gauss(0.0, 0.0013)), None if angle is None else angle + draw.gauss(0.0, 0.1))
        (arguments.out / f"{name}.json").write_text(json.dumps(run, indent=1) + "\n")
        state = {"R27": "fitted,P1", "S25": "scrapped,"}.get(name, "in_stock,")
        stock.append(f"{name},{state},2031-05-08")
    (arguments.out / "stock.csv").write_text("\n".join(stock) + "\n")


if __name__ == "__main__":
    main()
