"""Which lines a recording carries with a level that means something."""

from __future__ import annotations

from tests.machine.lines.test_orders import known_speed
from tests.machine.signals import TEETH, geared_tool
from vibekit.machine.lines.views import views_of
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import SensorFacts


def test_a_line_beyond_the_flat_band_of_the_sensor_is_not_read() -> None:
    # mesh at 38 x 43.5 Hz = 1654 Hz; a sensor that is flat to 1000 Hz shows it with a level that nobody knows
    run = geared_tool("steady", 43.5, 10.0)
    for band, there in ((None, True), ((0.5, 1000.0), False), ((0.5, 3000.0), True)):
        origin = Origin(sensor=SensorFacts(band_hz=band))
        recording = Recording(run.samples, run.sample_rate, ("x", "y", "z"), origin)
        views = views_of(recording, known_speed(run), "spindle")
        assert views is not None
        assert (views.orders.read("mesh", float(TEETH[1])) is not None) is there
        assert (views.hertz.read("mesh", TEETH[1] * 43.5) is not None) is there
        assert views.orders.read("1x", 1.0) is not None
