"""Everything that touches pictures: footage, encode, decode, player. Only here lives `av`."""
