"""The only place that knows pins: an adapter for RP2040 and RP2350 class boards."""
