"""Finding, measuring and driving UCI engines, and the store of what they said."""
