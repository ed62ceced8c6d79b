"""What the sensor gave: recording, calibration, readers, quality, segments."""
