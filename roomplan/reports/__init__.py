"""What people and programs read: tables and JSON documents."""
