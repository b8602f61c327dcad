//! Roles, constructions and the hardpoint-set format.
