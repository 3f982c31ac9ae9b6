ATTACKS = ()
LONG = ()
