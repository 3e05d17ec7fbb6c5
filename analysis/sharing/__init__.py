"""What leaves the program: captions, tables, tracks, privacy."""
