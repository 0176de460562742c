# STB-S5 Serum tube too fresh to spin
# Table of constant conditions for serum, https://cebp.aacrjournals.org/highwire/markup/48478/expansion
story "the clot is not finished"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260305 type=SERUM tests=K
10:00Z collect TB260305 by=mira at=WARD-N on=H-09
10:05Z take TB260305 from=mira by=oskar at=WARD-N on=H-07
10:12Z receive TB260305 by=lena at=LAB on=H-01
10:12Z expect TB260305/K wait reason=clotting at=10:30Z
10:12Z expect TB260305 rack wait at=10:30Z
10:12Z expect TB260305 flag none
10:13Z rack TB260305 in=R-2 by=lena at=LAB on=H-01
expect answer refused not-yet-clotted
expect TB260305 facts Packed=0
10:29:59Z expect TB260305/K wait
10:30Z expect TB260305/K within-limits used=30m
10:30Z expect TB260305 rack spin
10:31Z rack TB260305 in=R-2 by=lena at=LAB on=H-01
expect answer recorded
expect TB260305 facts Packed=1
expect TB260305 doubt none
