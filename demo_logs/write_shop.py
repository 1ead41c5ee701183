"""The shop file of the invented lab, as its lead would write it: what a lab knows, not what is true."""

from __future__ import annotations

from lab import CLOSURES, ZONE

_TEXT = """\
# The lab of a maker of river gauges. Invented: no such lab, people or data sheets exist.
# Every key is explained in the shop file that calib init writes.

[shop]
name = "river gauge lab"
timezone = "@ZONE@"
currency = "GBP"

[hours]
mon = "08:00-17:30"
tue = "08:00-17:30"
wed = "08:00-17:30"
thu = "08:00-17:30"
fri = "08:00-16:00"
closures = [@CLOSURES@]

[people]
names = "alias"

# --- machines: three extruders, two for resin, two powder beds ---

[[machine]]
id = "ext-1"
process = "MEX"
kind = "extruder"
build_mm = [250, 250, 250]
materials = ["petg", "asa"]
rate_per_h = 2.5

[[machine]]
id = "ext-2"
process = "MEX"
kind = "extruder"
build_mm = [250, 250, 250]
materials = ["petg", "asa"]
rate_per_h = 2.5

[[machine]]
id = "ext-3"
process = "MEX"
kind = "extruder"
build_mm = [350, 350, 400]
materials = ["petg", "asa"]
rate_per_h = 4

[[machine]]
id = "resin-1"
process = "VPP"
kind = "masked"
build_mm = [190, 120, 200]
materials = ["tough_resin", "clear_resin"]
rate_per_h = 4

[[machine]]
id = "resin-2"
process = "VPP"
kind = "scanned"
build_mm = [300, 300, 250]
materials = ["tough_resin", "clear_resin"]
rate_per_h = 8

[[machine]]
id = "bed-1"
process = "PBF"
kind = "laser_bed"
build_mm = [300, 300, 300]
materials = ["pa12", "pa11"]
layer_mm = 0.1
change_min = 60
rate_per_h = 14

[[machine]]
id = "bed-2"
process = "PBF"
kind = "laser_bed"
build_mm = [300, 300, 300]
materials = ["pa12", "pa11"]
layer_mm = 0.1
change_min = 60
rate_per_h = 14

# --- materials; the floors are invented, yours stand on your data sheets ---

[[material]]
id = "petg"
process = "MEX"
density_g_cm3 = 1.27
nozzle_c = 240
bed_c = 75
fit_for = ["water", "indoor"]
price_per_kg = 24

[[material]]
id = "asa"
process = "MEX"
density_g_cm3 = 1.07
nozzle_c = 250
bed_c = 100
drying_min = 240
fit_for = ["water", "outdoor"]
price_per_kg = 32

[[material]]
id = "tough_resin"
process = "VPP"
density_g_cm3 = 1.13
resin_c = 30
wash_floor_min = 8
dry_floor_min = 20
cure_floor_min = 25
floor_source = "invented data sheet"
fit_for = ["water", "indoor"]
price_per_kg = 110

[[material]]
id = "clear_resin"
process = "VPP"
density_g_cm3 = 1.16
resin_c = 30
wash_floor_min = 8
dry_floor_min = 20
cure_floor_min = 15
floor_source = "invented data sheet"
fit_for = ["clear", "indoor"]
price_per_kg = 130

[[material]]
id = "pa12"
process = "PBF"
density_g_cm3 = 0.98
fresh_share = 0.4
cool_to_c = 50
cool_floor_min = 150
floor_source = "invented data sheet"
fit_for = ["water", "outdoor"]
price_per_kg = 65

[[material]]
id = "pa11"
process = "PBF"
density_g_cm3 = 1.03
fresh_share = 0.4
cool_to_c = 50
cool_floor_min = 150
floor_source = "invented data sheet"
fit_for = ["water", "outdoor"]
price_per_kg = 85

# --- where work is done after the machine ---

[[station]]
id = "oven"
stages = ["material_drying"]
places = 2

[[station]]
id = "rack"
stages = ["draining", "drying"]
places = 6

[[station]]
id = "wash-1"
stages = ["washing"]
recipe_min = 14
load_parts = 400
load_cm3 = 4000

[[station]]
id = "cure-1"
stages = ["post_curing"]
places = 2
recipe_min = 35
load_parts = 400
load_cm3 = 4000

[[station]]
id = "powder-bench"
stages = ["breakout", "part_cleaning"]
places = 2

[[station]]
id = "sieve"
stages = ["powder_recovery"]

[[station]]
id = "blast-1"
stages = ["blasting"]

[[station]]
id = "bench-1"
stages = ["support_removal"]
places = 3

[[station]]
id = "bench-2"
stages = ["sanding", "inspection", "packing"]
places = 3

[[crew]]
id = "lab"
size = 4
rate_per_h = 38

[routes]
always_logged = ["design_adaptation", "material_drying", "support_removal", "blasting", "sanding"]

[costs]
person_per_h = 38
consumables_per_build = 3

[quoting]
level = 0.8
valid_days = 5

[drift]
false_alarms_per_year = 2.0
"""


def shop_text() -> str:
    return _TEXT.replace("@ZONE@", str(ZONE)).replace("@CLOSURES@", ", ".join(CLOSURES))
