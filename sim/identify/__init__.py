"""From the bench back to the model: logs, regression, refinement, what a log cannot tell."""
