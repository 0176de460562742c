# Common practice, no source
story "scanned into one box, laid into the other"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-7 kind=box
carrier B-8 kind=box
request R-1 patient=P-7001 tube=TB261010,TB261011 type=LIHEP-GEL tests=K
08:00Z collect TB261010 TB261011 by=mira at=WARD-N on=H-09
08:05Z pack TB261010 TB261011 in=B-7 by=mira at=WARD-N on=H-09
08:20Z take B-7 B-8 from=mira by=oskar at=VAN on=H-07
09:00Z receive B-7 B-8 from=oskar by=lena at=LAB on=H-01
09:05Z receive TB261011 in=B-8 by=lena at=LAB on=H-01
expect answer recorded
09:05Z expect TB261011 doubt extra
09:05Z expect TB261011 holder LAB link=direct
expect carrier B-7 holds 1
expect carrier B-8 holds 0
# it is not missing from the box it never was in
09:06Z receive TB261010 in=B-7 by=lena at=LAB on=H-01
09:07Z empty B-7 by=lena at=LAB on=H-01
09:07Z expect TB261010 doubt none
09:07Z expect TB261011 facts DoubtRaised=1
09:10Z explain TB261011 doubt=extra by=lena at=LAB on=H-01 reason=laid-into-the-neighbour-box
expect answer recorded
09:10Z expect TB261011 doubt none
