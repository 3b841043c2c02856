"""A bench session: the discs for one machine, in order, on the card of an emulated drive.

A disc is five things on its way, each made from the one before:

======================  ===================================================================
``PlanDisc``            what a person wants: where it comes from, for whom, after what
``CheckedDisc``         with the file that was found, what it becomes, and what is wrong
``PlacedDisc``          with its code, name and action on the card; staged, also what the
                        card gave back
``ManifestDisc``        what the card says of itself, for the emulator and the run sheet
``SessionDisc``         what the catalogue keeps, with the notes of what happened
======================  ===================================================================

``plans`` reads the first, ``discs`` makes the second, ``cards`` the third, ``manifests``
the fourth; the last is in the catalogue.
"""
