"""An engine, its ECU, driver and logger, with a known truth."""
