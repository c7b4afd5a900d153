"""From a volume to powder, water and scoops."""
