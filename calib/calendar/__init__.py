"""One clock for all rooms: local time and UTC, the hours of a week, open time, and times as people write them."""
