"""trapscan finds the opening tricks and pitfalls in a repertoire with any UCI engine."""

__version__ = "0.1.0"
