"""True-size drawings to print: from a folded plan to pages, from pages to SVG or PDF."""
