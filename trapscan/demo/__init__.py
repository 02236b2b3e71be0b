"""The demo repertoires as package data: an invented club, an invented coach, real openings."""
