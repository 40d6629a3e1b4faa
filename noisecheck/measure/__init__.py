"""How loud an impact is: levels, bands, decay, background."""
