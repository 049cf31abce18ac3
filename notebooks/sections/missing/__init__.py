"""What is missing of the primary outcome, and the answer under every assumption about it."""
