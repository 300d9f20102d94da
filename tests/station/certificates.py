"""Calibration certificates of the invented laboratory, for tests."""

from typing import Any

from testbench.station.calibrations import CalibrationReport


def readings(*rows: tuple[float, float] | tuple[float, float, str]) -> list[dict[str, Any]]:
    """Points as a file has them."""
    return [dict(zip(("reference", "indication", "direction"), row, strict=False)) for row in rows]


def up_and_down(gain: float = 1.0, zero: float = 0.0, bow: float = 0.0, lag: float = 0.0) -> list[dict[str, Any]]:
    """Eleven pressures to 1000 psi, up and down twice, of an instrument that indicates gain·p + zero + bow."""

    def indicated(psi: int, way: str) -> float:
        x = psi / 1000
        return round(gain * psi + zero + (4 * bow + (lag if way == "down" else 0.0)) * x * (1 - x), 4)

    return readings(
        *(
            (psi, indicated(psi, way), way)
            for way in ("up", "down", "up", "down")
            for psi in (range(0, 1001, 100) if way == "up" else range(1000, -1, -100))
        )
    )


def worked_example() -> list[dict[str, Any]]:
    """CAL-1, a made transmitter: 0.5–4.5 V for 0–1000 psi, its volts scaled to nominal psi.

    It is bent by 1 psi, lags by 1.2 psi at most on the way down, and has moved by 0.05 psi in the second round.
    """
    rows = []
    for way, k in (("up", 0), ("down", 0), ("up", 1), ("down", 1)):
        for psi in range(0, 1001, 100) if way == "up" else range(1000, -1, -100):
            x = psi / 1000
            tick = 0.0001 if (psi // 100 + k) % 3 == 0 else 0.0
            lag = 0.0048 * x * (1 - x) if way == "down" else 0.0
            volt = round(0.5 + 0.004 * psi + 0.004 * x * (1 - x) + lag + 0.0002 * k + tick, 4)
            rows.append((psi, round((volt - 0.5) / 0.004, 3), way))
    return readings(*rows)


def report(**changes: Any) -> CalibrationReport:
    """The yearly calibration of T-0042, changed as a test wants it."""
    return CalibrationReport.model_validate(
        {
            "channel": "PT-101",
            "serial": "T-0042",
            "certificate_number": "SCL-26-0411",
            "laboratory": "Saltmarsh Calibration Laboratory",
            "calibrated_on": "2026-06-02",
            "due_on": "2027-06-01",
            "environment": "21 degC ± 1 degC, 1012 hPa",
            "reference_instrument": "pressure balance PB-3, certificate SCL-25-0930",
            "unit": "psi",
            "points": up_and_down(),
            "reference_uncertainty": "0.05 psi",
            "resolution": "0.01 psi",
            "entered_by": "Tobin Ashe",
            "entered_at": "2026-06-05T09:00:00+00:00",
        }
        | changes
    )
