"""Pages to print at true size: drawings of a folded plan, as SVG or PDF, and the mat for photos."""
