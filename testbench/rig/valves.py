"""The valves of the invented order, as they really are, and how the rig makes up any other."""

from collections.abc import Mapping

from testbench.rig.physics import Leak, MountedValve

ORDERED: Mapping[str, MountedValve] = {
    valve.serial: valve
    for valve in (
        # Metal seats may leak 29.57 mL/h per inch at the rated pressure: 118.3 for NPS 4, 177.4 for NPS 6.
        MountedValve("HL-4-0117", "4", seat_leak=Leak(40.0)),
        MountedValve("HL-6-0118", "6", seat_leak=Leak(700.0)),
        # Tight, but its cover hides a pocket that only a second venting frees.
        MountedValve("HL-8-0119", "8", trapped=(0.012, 0.0005)),
    )
}
