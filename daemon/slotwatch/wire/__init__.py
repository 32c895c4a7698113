"""Pure codecs: bytes or arrays in, values out. Knows numpy and the standard library alone."""
