"""From the controller's language subset to freestanding C99 in single precision: ``program.translate``."""
