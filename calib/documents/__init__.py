"""What rooms hand to each other and to the JSON, as types: one file for each family, units in the comments beside the keys.

A key is NotRequired where documents of an earlier calib, kept in a store, lack it, or where it is only made when asked for.
Times are ISO 8601 texts with offset, days 'YYYY-MM-DD' in the shop's zone; chances and shares lie in 0..1; minutes and hours
say so in the key; None: not known.
"""
