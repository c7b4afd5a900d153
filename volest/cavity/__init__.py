"""From triangles to the cavity and its volume, one stage a module."""
