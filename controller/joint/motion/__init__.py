"""From a target or a stream to the setpoint of a tick."""
