"""The shop file that a new lab starts from: one machine for each process, commented for whoever runs the lab."""

from __future__ import annotations

from calib.safety import FOLLOW

_TEXT = """\
# The shop file: what this lab has, in its own numbers. Lines that begin with # are comments.
# Everything not stated here takes a usual default; what is stated is used as it stands. Units end the names:
# _min minutes, _mm, _cm2, _cm3, _c degrees Celsius, _share 0 to 1. Start by correcting machines and opening hours;
# the rest is learned from your logs week by week.
#
# @FOLLOW@
# Times are estimates for planning; nothing here replaces any of these.

[shop]
name = "our lab"
timezone = "@ZONE@"          # IANA name; time stamps without an offset are in this zone
# currency = "EUR"           # state it, and rates under [costs], to see costs in quotes

# Opening hours: machines run on, people do not. Several spans a day are written ["08:00-12:00", "13:00-17:00"].
[hours]
mon = "08:00-17:00"
tue = "08:00-17:00"
wed = "08:00-17:00"
thu = "08:00-17:00"
fri = "08:00-16:00"
# sat = "09:00-12:00"
closures = []                # closed days, like [2026-12-25, 2027-01-01]
# holidays = "DE-BY"         # closed on public holidays too, of a country ("DE") or a part of it; pip install 'calib[holidays]'

[people]
names = "alias"              # "off": not kept; "alias": such as P-7KQ2MD; "named": as in the logs
# keep_months = 24           # take the person off runs that are older; without it they stay until calib forget
# drop_columns = ["note"]    # columns of logs that are never stored

# --- machines ---------------------------------------------------------------------------------------------------------
# One [[machine]] for each. kind: extruder (MEX); masked or scanned (VPP: light through a mask, or a laser);
# laser_bed (PBF, of polymer: metal is not modelled). build_mm: the largest build. owned = false compares with a machine that you do not have.

[[machine]]
id = "mex1"
process = "MEX"
kind = "extruder"
build_mm = [200, 200, 300]
materials = ["pla", "petg"]
lights_out = true            # may run with nobody in the building
nozzle_mm = 0.4
layer_mm = 0.2
wall_speed_mm_s = 75
fill_speed_mm_s = 110
acceleration_mm_s2 = 2500
melt_rate_mm3_s = 12         # the most that the nozzle melts; often the true limit
change_min = 5               # changing the filament
# A changed speed does not rewrite last year:
# [[machine.change]]
# since = 2026-03-01
# wall_speed_mm_s = 100

[[machine]]
id = "vpp1"
process = "VPP"
kind = "masked"
build_mm = [200, 100, 200]
materials = ["resin"]
layer_mm = 0.05
irradiance_mw_cm2 = 4        # light on the film
lift_mm = 6
lift_speed_mm_s = 2
return_speed_mm_s = 3
settle_s = 1
change_min = 0.7             # another resin in its own container; 10 to 30 without a spare one

[[machine]]
id = "pbf1"
process = "PBF"
kind = "laser_bed"
build_mm = [200, 200, 300]
materials = ["pa12"]
chambers = 1                 # 2 or more: removable chambers, so that one cools while the next is printed
# closes = ["Tue 16:00"]     # a build is closed and started then; without it, whenever it is full
layer_mm = 0.1
recoat_s = 12
layer_heat_s = 6
scan_speed_mm_s = 4000
cake_fill_limit = 0.15       # most of the cake that parts fill

# --- materials --------------------------------------------------------------------------------------------------------
# The data sheet's limits are never undercut. Copy yours here, with floor_source; what is not stated is unknown:
#   cool_to_c, cool_floor_min, wash_floor_min, dry_floor_min, cure_floor_min, rinse_floor_min
# fit_for: needs that a material meets, in your words, like ["outdoor", "snap"]; a quote matches them.

[[material]]
id = "pla"
process = "MEX"
density_g_cm3 = 1.24
nozzle_c = 215
bed_c = 60

[[material]]
id = "petg"
process = "MEX"
density_g_cm3 = 1.27
nozzle_c = 240
bed_c = 75

[[material]]
id = "resin"
process = "VPP"
density_g_cm3 = 1.15
penetration_mm = 0.12        # working curve: depth of penetration Dp ...
critical_mj_cm2 = 4.0        # ... and critical exposure Ec, as the resin's data sheet has them
# cure_floor_min = 20
# floor_source = "data sheet, revision and date"

[[material]]
id = "pa12"
process = "PBF"
density_g_cm3 = 1.01
powder_bed_c = 172
fresh_share = 0.5
# cool_to_c = 50
# cool_floor_min = 360
# floor_source = "data sheet, revision and date"

# --- where work is done after the machine -----------------------------------------------------------------------------
# places: runs at once. recipe_min, hands_min (a person's minutes for each load), load_parts and load_cm3 override
# the rates of the stages done there. automatic_share: part of a person's minutes that it does alone (an automatic
# washer: automatic_share = 0.7; the step itself takes as long).

[[station]]
id = "wash"
stages = ["washing"]
recipe_min = 12
hands_min = 5
load_parts = 40

[[station]]
id = "cure"
stages = ["post_curing"]
recipe_min = 25
load_parts = 40

[[station]]
id = "powder_bench"
stages = ["breakout", "part_cleaning"]

[[station]]
id = "blast_cabinet"
stages = ["blasting"]

# --- people -----------------------------------------------------------------------------------------------------------
[[crew]]
id = "lab"
size = 2                     # how many are there in opening hours
# stages = ["sanding"]       # what they can do; without it, everything
# rate_per_h = 45
# A crew may come in hours of its own; without them it is there in [hours]. A night shift is two spans:
# [crew.hours]
# mon = "17:00-24:00"
# tue = ["00:00-02:00", "17:00-24:00"]

# --- times of bench work ----------------------------------------------------------------------------------------------
# Each stage has rates; state only what you know better. Common practice, no source. Examples:
# [rates.support_removal]
# start_min = 2.5
# per_part_min = 2.0
# per_contact_cm2_min = 0.45
# learning = 0.92              # second part's time over the first's
# [rates.vapour_smoothing]     # a stage of your own: give it a rate, then name it in a route
# recipe_min = 90
# hands_min = 10
# caution = "Solvent vapour, flammable and harmful: closed chamber, extraction, no ignition source, gloves."

# [routes]
# MEX = ["file_prep", "machine_setup", "warm_up", "printing", "cool_down", "unloading", "inspection", "packing"]
# Resin keeps washing, drying and post_curing, powder its cool_down before hands are in it.
# always_logged = ["printing"] # stages whose absence from the logs means that they were not done

# [costs]
# person_per_h = 45

[quoting]
level = 0.8                  # share of outcomes inside a stated range
valid_days = 5               # working days that a quote stands
# carriage_days = 2            # open days on the way to a customer: calib sites quote adds them
# no_unattended_start_after = "22:00"
# [[quoting.outside]]          # a supplier to compare with
# id = "supplier"
# process = "PBF"
# days = 8
# price_per_part = 12

[drift]
false_alarms_per_year = 2.0  # for all stages together: more finds changes sooner, and errs more often
"""


def shop_text(timezone: str = "UTC") -> str:
    """The commented default shop file for a lab in this time zone (an IANA name)."""
    return _TEXT.replace("@ZONE@", timezone).replace("@FOLLOW@", FOLLOW)
