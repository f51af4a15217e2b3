"""What the link's process is asked to open."""

from dataclasses import dataclass

LOW_SHARE = 0.5
"""Share of the force limit that joints are armed with first."""


@dataclass(frozen=True)
class Opening:
    """Files, ports (none: a virtual board), the virtual board's runtime and seed, folder of the run."""

    paths: list[str]
    ports: list[str]
    runtime: str
    seed: int
    out: str
    low_share: float = LOW_SHARE
