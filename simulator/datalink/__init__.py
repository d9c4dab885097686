"""The data link: frames bit by bit, and the medium on which nodes meet them."""
