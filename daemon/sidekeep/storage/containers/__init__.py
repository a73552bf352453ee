"""Headers of audio files, read without any audio library: one file for each family of containers."""
