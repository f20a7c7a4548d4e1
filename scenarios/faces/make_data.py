"""Make the invented faces of this folder and their inspections. Nothing here was measured; run it from anywhere."""

import csv
from pathlib import Path

import numpy as np
from scipy.special import erfc

HOME = Path(__file__).parent
FACES = 400
DISTRICTS = {
    "hill": 9.0,
    "plain": 15.0,
    "lake": 12.0,
}  # mean temperature of the fresh concrete, degC
PLANNED = ("Forms 16 h", "Forms 48 h", "Forms 5 d")
EXPOSURES = ("", "beside the carriageway", "beyond the spray")
INVENTED = "# Invented data, made by make_data.py: no network, no road.\n"

# The truth behind the inspections of 2025: the plain concrete ages less than its designers expected.
INSPECTED = 2025.5
CORED = 5  # faces, the first of plain concrete with a planned strategy
SURFACE = {"": 1.6, "beside the carriageway": 2.2, "beyond the spray": 1.1}  # % by mass of binder
DIFFUSIVITY, AGEING, TEMPERATURE_FACTOR, INITIAL = 4.6e-12, 0.37, 0.53, 0.1
PENALTY = {"Forms 16 h": 1.9, "Forms 48 h": 1.35, "Forms 5 d": 1.08}
EDGES_MM = np.array([0, 6, 12, 20, 30, 45], dtype=float)
ERROR_SHARE, COVER_ERROR = 0.07, 2.0
DETECTION, FALSE_ALARM = 0.85, 0.05
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)


def write(name, lines):
    """Write a table beside this file."""
    (HOME / name).write_text(INVENTED + "\n".join(lines) + "\n", encoding="utf-8")


def contents(surface, factor, years, rng):
    """Return the contents of one core by layer: the error function averaged over each of them."""
    surface = surface * np.exp(0.22 * rng.standard_normal())
    diffusivity = factor * DIFFUSIVITY * (1.0 + 0.13 * rng.standard_normal())
    apparent = TEMPERATURE_FACTOR * diffusivity * (28.0 / 365.25 / years) ** AGEING
    length = 2.0e3 * np.sqrt(apparent * years * 365.25 * 86400.0)  # mm
    upper, lower = EDGES_MM[:-1, None], EDGES_MM[1:, None]
    depth = 0.5 * (upper + lower) + 0.5 * (lower - upper) * NODES
    share = (erfc(np.maximum(depth - rng.uniform(3.0, 14.0), 0.0) / length) * WEIGHTS).sum(
        axis=1
    ) / 2.0
    true = INITIAL + (surface - INITIAL) * share
    return true * (1.0 + ERROR_SHARE * rng.standard_normal(true.shape))


def inspections(faces):
    """Write what was found on a few faces: cores, cover readings, half-cell surveys."""
    rng = np.random.default_rng(21)
    old = [face for face in faces if face["strategy"]]
    cored = [face for face in old if not face["concrete_type"]][:CORED]
    cores = [
        "element,specimen,depth_from_mm,depth_to_mm,chloride_pct_binder,error_share,exposure_yr"
    ]
    for face in cored:
        year, month = face["built"].split("-")
        years = INSPECTED - int(year) - (int(month) - 1) / 12.0
        surface = SURFACE[face["exposure_type"]] * np.exp(0.22 * rng.standard_normal())
        for number in (1, 2):
            read = contents(surface, PENALTY[face["strategy"]], years, rng)
            cores += [
                f"{face['element']},{number},{upper:g},{lower:g},{y:.3f},{ERROR_SHARE},{years:.2f}"
                for upper, lower, y in zip(EDGES_MM[:-1], EDGES_MM[1:], read, strict=True)
            ]
    write("cores.csv", cores)
    cover = ["element,cover_mm,error_mm,effective_points"]
    for face in cored[:3]:
        mean = float(face["nominal_cover_mm"]) - 2.0 + 3.0 * rng.standard_normal()
        read = mean + np.hypot(8.0, COVER_ERROR) * rng.standard_normal(12)
        cover += [f"{face['element']},{y:.0f},{COVER_ERROR:g},8" for y in read]
    write("cover.csv", cover)
    head = "element,area,points,active_points,date,detection,false_alarm,effective_points"
    surveys = [head]
    for face in [cored[0], *(face for face in old if face["concrete_type"])][:3]:
        active = rng.binomial(60, FALSE_ALARM + 0.02)
        surveys.append(
            f"{face['element']},whole face,60,{active},2025-06-30,{DETECTION},{FALSE_ALARM},12"
        )
    write("half-cell.csv", surveys)


def main():
    """Write faces.csv and the inspections."""
    rng = np.random.default_rng(20)
    head = "element,district,built,area_m2,strategy,strip_age_h,concrete_temperature_degC,follow_up"
    lines = [f"{head},follow_up_d,nominal_cover_mm,cover_sd_mm,concrete_type,exposure_type"]
    for number in range(1, FACES + 1):
        district = list(DISTRICTS)[int(rng.integers(3))]
        year = int(rng.integers(1975, 2026))
        built = f"{year}-{int(rng.integers(1, 13)):02d}"
        area = f"{rng.uniform(8.0, 90.0):.0f}"
        # from 1995 on strip ages were logged; before, only the plan is known
        if year < 1995:
            cured = f"{PLANNED[int(rng.integers(3))]},,,,"
        else:
            hours, warm = rng.uniform(12.0, 96.0), DISTRICTS[district] + rng.normal(0.0, 3.0)
            sheet = rng.random() < 0.3
            cured = f",{hours:.0f},{warm:.0f},{'sheet' if sheet else ''},{'3' if sheet else ''}"
        cover = 5 * int(rng.integers(8, 15))
        sd = "" if rng.random() < 0.7 else ("6" if rng.random() < 0.5 else "10")
        concrete = "slag" if rng.random() < 0.35 else ""
        exposure = EXPOSURES[int(rng.integers(3))]
        lines.append(
            f"{district}-{number:03d},{district},{built},{area},{cured},{cover},{sd},{concrete},{exposure}"
        )
    lines[0] = lines[0].replace(",district,", ",group,", 1)
    write("faces.csv", lines)
    inspections(list(csv.DictReader(lines)))


if __name__ == "__main__":
    main()
