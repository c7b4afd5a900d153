"""A maker of dental impressions from implicit solids, independent of the library it tests."""
