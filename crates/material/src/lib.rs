//! What a material does over temperature and field: carriers, mobilities, resistivity and Hall angle. Knows no outline,
//! no contact and no bench.
