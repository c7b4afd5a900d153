"""What a hostile or broken file, name, setting or disk may do to volest: nothing."""
