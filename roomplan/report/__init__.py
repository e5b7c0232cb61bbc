"""What a run says of itself, for programs: documents, and what follows from comparing them."""
