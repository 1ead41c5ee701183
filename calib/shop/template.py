"""The commented shop file that a new shop starts with."""

from __future__ import annotations

TEXT = """# The shop: what calib knows about this lab. Every value can be changed; a key that is left out keeps its default
# (lengths mm, speeds mm/s, temperatures degC, minutes). A wrong key or value is reported with its line.

[shop]
name = "My lab"
timezone = "@ZONE@"          # IANA name; stamps in logs without an offset are local time of this zone
closures = []                # closed days, e.g. ["2026-12-25"]
always_logged = []           # stages whose absence from a log means that they were not done
# currency = "EUR"           # with [costs] below, quotes carry a cost

[hours]                      # when people are there; machines run on. Leave the section out: always open
monday = ["08:00-17:00"]
tuesday = ["08:00-17:00"]
wednesday = ["08:00-17:00"]
thursday = ["08:00-17:00"]
friday = ["08:00-16:00"]

[people]
names = "alias"              # off: no names kept; alias: P1, P2 ... instead of names; named: as written

[[crew]]                     # people who can do the same work
id = "bench"
size = 2
# stages = ["sanding", "blasting"]   # left out: everything
# rate_per_h = 45

[[machine]]
id = "extruder_1"
kind = "extruder"            # MEX
build_mm = [250, 210, 210]
materials = ["pla", "petg"]
layer_mm = 0.2
nozzle_mm = 0.4
print_speed_mm_s = 90
lights_out = true            # may it run with nobody in the building?

[[machine]]
id = "resin_1"
kind = "masked"              # VPP, light through a mask; "scanned" for a laser
build_mm = [190, 120, 240]
materials = ["standard_resin"]
layer_mm = 0.05

[[machine]]
id = "powder_1"
kind = "laser_bed"           # PBF of polymer by laser
build_mm = [200, 200, 280]
materials = ["pa12"]
layer_mm = 0.11
chambers = 1                 # removable build chambers; 1: the cake cools in the machine
# closes = ["Tue 16:00"]     # days on which a shared build is closed

# Floors come from the data sheet of your material: no range, correction or hurried plan goes below them. A floor that
# is left out is said to be unknown, never taken as zero.
[[material]]
id = "pla"
process = "MEX"
density_g_cm3 = 1.24

[[material]]
id = "petg"
process = "MEX"
density_g_cm3 = 1.27

[[material]]
id = "standard_resin"
process = "VPP"
density_g_cm3 = 1.12
# wash_floor_min = 0         # from its data sheet
# dry_floor_min = 0
# cure_floor_min = 0
# floor_source = "data sheet, edition"

[[material]]
id = "pa12"
process = "PBF"
density_g_cm3 = 0.95
cool_to_c = 50               # core of the cake before opening
# cool_floor_min = 0

[[station]]
id = "wash_tank"
stages = ["washing"]
places = 1                   # loads at once

[[station]]
id = "cure_chamber"
stages = ["post_curing"]

[[station]]
id = "blast_cabinet"
stages = ["blasting"]

# Rates of bench work; each replaces calib's default for that stage. [rates.NAME] with start_min, part_min, cm2_min,
# contact_min, cm3_min, load_min, load_parts, touch_load_min, learning_rate.
# [rates.sanding]
# part_min = 6

# [costs]
# machine_per_h = 4
# person_per_h = 45

[quoting]
valid_days = 5               # working days that a quote stands

[drift]
false_alarms_per_year = 2    # for the whole lab
"""


def shop_text(timezone: str) -> str:
    """The text of a new shop.toml, with one machine for each process."""
    return TEXT.replace("@ZONE@", timezone)
