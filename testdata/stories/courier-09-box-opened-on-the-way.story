# Common practice, no source
story "the seal at the desk is not the one of the ward"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-10 kind=box
carrier B-11 kind=box
request R-1 patient=P-7001 tube=TB261014,TB261015 type=LIHEP-GEL tests=K
08:00Z collect TB261014 TB261015 by=mira at=WARD-N on=H-09
08:05Z pack TB261014 in=B-10 by=mira at=WARD-N on=H-09
08:05Z pack TB261015 in=B-11 by=mira at=WARD-N on=H-09
08:10Z seal B-10 seal=S-100 by=mira at=WARD-N on=H-09
08:10Z seal B-11 seal=S-101 by=mira at=WARD-N on=H-09
08:20Z take B-10 from=mira by=oskar at=VAN on=H-07 seal=S-100
08:20Z take B-11 from=mira by=oskar at=VAN on=H-07 seal=S-101
08:20Z expect B-10 doubt none
09:00Z receive B-10 from=oskar by=lena at=LAB on=H-01 seal=S-777 condition=seal-other
expect answer recorded
09:00Z expect B-10 doubt broken-seal
# an opened box that is sealed anew and said so is no doubt
08:40Z open B-11 seal=S-101 by=oskar at=VAN on=H-07
08:41Z seal B-11 seal=S-102 by=oskar at=VAN on=H-07
09:01Z receive B-11 from=oskar by=lena at=LAB on=H-01 seal=S-102
09:01Z expect B-11 doubt none
# who has the key explains it
09:20Z explain B-10 doubt=broken-seal by=oskar at=LAB on=H-07 reason=customs-opened-it
expect answer recorded
09:20Z expect B-10 doubt none
09:20Z expect B-10 facts DoubtRaised=1
09:20Z expect B-10 facts DoubtClosed=1
