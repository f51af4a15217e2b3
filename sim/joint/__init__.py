"""From a joint file to its parts, their spread and the settings of the controller."""
