"""What several processes share: memory, channels, files, interfaces."""
