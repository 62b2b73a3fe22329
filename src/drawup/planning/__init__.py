"""What a clinic works out ahead, for many people at once."""
