"""The visit that goes on: fed from the stream, kept on disk, shown to all."""
