"""Files and folders as such: names, places, all of a set or none, and what is kept from run to run."""
