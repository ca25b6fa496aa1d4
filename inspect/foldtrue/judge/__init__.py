"""The judging step: from a result's figures and the person's limits to a verdict and a touch-up list."""
