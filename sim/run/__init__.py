"""Runs: kernels compiled, closed loops of one part or many, scenarios, what they are judged by, where they run."""
