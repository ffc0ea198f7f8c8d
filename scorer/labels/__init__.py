"""What people say a mark or a fruit is: read from files and from the pages' words, kept with who and when."""
