"""What people read: tables and pictures, and the documents that say the same."""
