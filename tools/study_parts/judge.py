"""What the program, the oracle and the plain script say about one clip, beside the truth."""
import math

import truth as truths

RESULT_KEYS = {"breakup": "breakup_mm", "cd": "cd", "flow_area": "flow_area_mm2", "pressure": "pressure_bar",
               "flow": "flow_kg_s", "sheet": "sheet_half_angle_deg", "cone": "cone_half_angle_deg",
               "apparent": "apparent_half_angle_deg", "mean": "half_angle_deg", "left": "half_angle_deg",
               "right": "half_angle_deg", "lean": "half_angle_deg"}
SIDES = ("left", "right", "mean", "lean")
HALVES = ("mean", "left", "right", "lean", "sheet", "cone", "breakup")


def quantity_of(point, key):
    quantity = point.get(RESULT_KEYS[key]) if point else None
    return quantity.get(key) if quantity and RESULT_KEYS[key] == "half_angle_deg" else quantity


def missing_codes(result, key, index):
    """Codes of the flags that explain a missing value."""
    flags = result["flags"]
    if result["verdict"] == "rejected":
        return sorted({f["code"] for f in flags if f["severity"] == "reject"})
    wanted = RESULT_KEYS[key]
    named = {f["code"] for f in flags if (f["quantity"] or "").split(".")[0] == wanted and f["point"] in (None, index)}
    if not named:
        named = {f["code"] for f in flags if f["severity"] != "info" and f["quantity"] is None
                 and f["point"] in (None, index)}
    return sorted(named)


def entry(truth, quantity):
    out = {"truth": truth, "value": None}
    if quantity and quantity.get("value") is not None:
        out.update(value=quantity["value"], u=quantity.get("u"), lo=quantity.get("lo95"), hi=quantity.get("hi95"))
    elif quantity and quantity.get("lower_bound") is not None:
        out["lower_bound"] = quantity["lower_bound"]
    return out


def student(dof):
    """97.5 % point of Student's distribution, by its expansion in 1 / dof (M. Abramowitz, I. Stegun, Handbook of
    Mathematical Functions, 26.7.5; from memory), good to 1 % from 3 up."""
    z, n = 1.959964, max(dof, 3.0)
    return (z + (z**3 + z) / (4.0 * n) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * n**2)
            + (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / (384.0 * n**3))


def shown(quantity, value, truth):
    """As the picture shows it, free of what the rig states in error. u: the quantity's own, without what the budget
    lays on the rig."""
    own = [b for b in quantity["budget"] if b["shared"] != "rig"]
    u = math.sqrt(math.fsum(b["u"] ** 2 for b in own))
    # Only the scatter has degrees of freedom (Welch and Satterthwaite: u^4 / dof is a sum over the causes).
    dof = quantity["dof"] * (u / quantity["u"]) ** 4 if quantity.get("dof") else None
    reach = (student(dof) if dof else 1.959964) * u
    return {"truth": truth, "value": value, "u": u, "lo": value - reach, "hi": value + reach}


def lean_shown(quantity, oracle, frames_shown, truth):
    """The program's lean less that of perfect masks through the same rig, and those masks' lean in the picture."""
    if not quantity or quantity.get("value") is None or oracle is None or frames_shown is None or truth is None:
        return None
    return shown(quantity, quantity["value"] - oracle + frames_shown, truth)


def model_shown(quantity, truth, mean, apparent):
    """Sheet or cone angle without what taking the visible angle to space did to it."""
    if not quantity or any(e is None or e.get("value") is None for e in (quantity, mean, apparent)):
        return None
    by_rig = (mean["value"] - mean["truth"]) - (apparent["value"] - apparent["truth"])
    return shown(quantity, quantity["value"] - by_rig, truth)


def judge_point(index, true_point, point, result, stations, plain, true_r, odd):
    near_mm, far_mm = stations
    boundary, extended = truths.long_time_angles(true_point["boundary"], true_point["frames_boundary"], near_mm, far_mm,
                                                 odd)
    apparent, _ = truths.long_time_angles(true_point["apparent"], true_point["frames_apparent"], near_mm, far_mm, odd)
    frames_shown = truths.angles(true_point["frames_apparent"], near_mm, far_mm, odd)["lean"]
    sheet = truths.angles(true_point["mean_sheet"], near_mm, far_mm)["mean"]
    oracle = truths.angles(true_point["frames_boundary"], near_mm, far_mm, odd)
    true = dict(boundary, apparent=apparent["mean"], sheet=sheet, cone=true_point["sheet_cone_deg"],
                breakup=true_point["breakup_mm"], cd=true_point["cd"], flow_area=true_point["flow_area_mm2"],
                pressure=true_point["pressure_bar"], flow=true_point["flow_kg_s"])
    in_view = true_point["breakup_in_view"]
    filmed = true_point["frames"] > 0
    record = {"true_point": index, "frames": true_point["frames"], "breakup_in_view": in_view,
              "truth_extended": extended, "truth_u_deg": (true_point.get("boundary_u") or {}).get("mean_deg"),
              "truth_pictures": (true_point.get("boundary_u") or {}).get("pictures"),
              "program": {}, "oracle": {}, "plain": {}, "breakup_out_of_view": None}
    for key, value in true.items():
        if value is None or (not filmed and key not in ("cd", "flow_area", "pressure", "flow")):
            continue
        said = entry(value, quantity_of(point, key))
        if said["value"] is None:
            if point is not None:
                said["missing"] = missing_codes(result, key, true_r)
            elif result is None:
                said["missing"] = ["measure failed"]
            elif result["verdict"] == "rejected":
                said["missing"] = missing_codes(result, key, None)
            else:
                said["missing"] = ["point not found"]
        if key == "breakup" and not in_view:
            record["breakup_out_of_view"] = said
        else:
            record["program"][key] = said
        if key in SIDES:
            record["oracle"][key] = {"truth": value, "value": oracle[key]}
        if plain is not None and (key in SIDES or (key == "breakup" and in_view)):
            record["plain"][key] = {"truth": value, "value": plain[key] if plain else None}
    said = record["program"]
    extra = {"lean_shown": lean_shown(quantity_of(point, "lean"), oracle["lean"], frames_shown, apparent["lean"])}
    for key in ("sheet", "cone"):
        if key in said and said[key]["truth"] is not None:
            extra[key + "_shown"] = model_shown(quantity_of(point, key), said[key]["truth"], said.get("mean"),
                                                said.get("apparent"))
    said.update({key: e for key, e in extra.items() if filmed and e})
    return record


def judge_negative(truth, result):
    """Refused, flagged, or measured without a word; then: does the interval still hold what is true of the clip?"""
    if result is None:
        return "failed", None
    if result["verdict"] == "rejected":
        return "refused", None
    if result["verdict"] == "flagged":
        return "flagged", None
    said = [p["cone_half_angle_deg"] or (p["half_angle_deg"] or {}).get("mean") for p in result["points"]]
    said = [q for q in said if q and q.get("lo95") is not None]
    if not said:
        return "unnoticed", False  # nothing claimed of the spray
    if truth["kind"] == "marginal" or truth["true"]["half_angle_deg"] is None:
        return "unnoticed", None  # its points are judged one by one
    if truth["negative"] in ("no_spray", "drip", "walker", "several_jets"):
        return "unnoticed", True
    lowest = min((p for p in result["points"] if p["cone_half_angle_deg"] or p["half_angle_deg"]),
                 key=lambda p: (p["pressure_bar"] or {}).get("value", 0.0))
    q = lowest["cone_half_angle_deg"] or lowest["half_angle_deg"]["mean"]
    return "unnoticed", not q["lo95"] <= truth["true"]["half_angle_deg"] <= q["hi95"]


def statistical_u(quantity):
    """The part of u that other frames would draw anew."""
    return math.sqrt(math.fsum(b["u"] ** 2 for b in quantity.get("budget", []) if b["shared"] == "frames"))


def judge_halves(first, second):
    """By quantity: difference of two halves of a steady stretch and what their statistics allow; None where one half
    gave no value. Both are measured in one run, so only the frames differ."""
    out = {}
    for key in HALVES:
        a, b = quantity_of(first, key), quantity_of(second, key)
        if not a or not b or a.get("value") is None or b.get("value") is None:
            out[key] = None
            continue
        allowed = 2.0 * math.hypot(statistical_u(a), statistical_u(b))
        out[key] = {"difference": b["value"] - a["value"], "allowed": allowed}
    return out
