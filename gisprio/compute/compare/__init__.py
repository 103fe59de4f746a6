"""What changed between two runs: inputs, gaps, ranks; matched by place."""
