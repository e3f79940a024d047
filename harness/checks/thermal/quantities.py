"""What the heating of a winding and of the driver measures."""

from __future__ import annotations

from harness.nouns.measurand import CheckRow, Measurand, Origin, Sense, percent, unmoved

CURRENT = unmoved("measured at, or referred to, a stated current in a room of 20 degC")

CHECK = CheckRow(
    name="thermal",
    title="Thermal rise",
    place=40,
    per_motor=True,
    closes_loop=False,
    powered=True,
    conduct=False,
    parts=("duties",),
    quantities=(
        Measurand(
            name="resistance",
            words="winding resistance at 20 degC",
            unit="ohm",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=unmoved("at 20 degC as measured"),
            detect=percent(10, "a bad joint"),
        ),
        Measurand(
            name="rise",
            words="final rise of the winding",
            unit="K",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=CURRENT,
            detect=percent(40, "cooling gone by two fifths"),
        ),
        Measurand(
            name="fast_rise",
            words="rise of the winding over its housing",
            unit="K",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=CURRENT,
            detect=percent(50, "a winding that lost its bond to the housing"),
        ),
        Measurand(
            name="fast_time",
            words="time constant, winding to housing",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=CURRENT,
            detect=percent(60, "capacities known to 15 % allow no less"),
        ),
        Measurand(
            name="slow_time",
            words="time constant, housing to ambient",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=CURRENT,
            detect=percent(60, "capacities known to 15 % allow no less"),
        ),
        Measurand(
            name="driver_rise",
            words="rise of the driver",
            unit="K",
            sense=Sense.NUMBER,
            origin=Origin.TOLD,
            follows=CURRENT,
            detect=percent(110, "a driver that lost its heat path doubles"),
        ),
    ),
)
