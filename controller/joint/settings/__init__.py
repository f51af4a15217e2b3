"""Every tunable of one joint: declared, ranged, held against each other."""
