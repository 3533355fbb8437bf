"""The review as one HTML file that needs nothing else: drawn as SVG, laid out by the templates in data/page."""
