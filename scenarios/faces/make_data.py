"""Make the invented faces of this folder. Nothing here was measured; run it from anywhere."""

from pathlib import Path

import numpy as np

HOME = Path(__file__).parent
FACES = 400
DISTRICTS = {"hill": 9.0, "plain": 15.0, "lake": 12.0}  # mean temperature of the fresh concrete, degC
PLANNED = ("Forms 16 h", "Forms 48 h", "Forms 5 d")
EXPOSURES = ("", "beside the carriageway", "beyond the spray")


def main():
    """Write faces.csv."""
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
    text = "\n".join(lines).replace(",district,", ",group,", 1)
    (HOME / "faces.csv").write_text(
        "# Invented data, made by make_data.py: no network, no road.\n" + text + "\n", encoding="utf-8"
    )


if __name__ == "__main__":
    main()
