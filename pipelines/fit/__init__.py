"""The warehouse's readings through the models and back."""
