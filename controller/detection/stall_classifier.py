"""Weighs the evidence of an ascent by a sum of small trees, and says what its score means.

Written by campaigns/fits/fit_stall_classifier.py from tuning seeds; do not edit. `score` takes the vector named by
`foresight.FEATURES` in its order; comparisons and additions only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final


# fmt: off
# ruff: noqa: E501, RUF059
def score(e: Sequence[float], least: float = -1e9) -> float:
    """Strength of the evidence that this ascent will not come through; larger is surer.

    One under ``least`` may come out as any number under ``least``: it is not added up to the end.
    """
    e0, e1, e2, e3, e4, e5, e6, e7, e8, e9, e10, e11, e12, e13, e14, e15, e16, e17, e18, e19 = e
    t42 = (((0.4115 if e0 <= -0.090339 else -0.0161) if e6 <= -0.32052 else ((0.0859 if e18 <= 0.035408 else (0.0825 if e5 <= 0.4017 else -0.0543)) if e6 <= -0.081036 else (0.0131 if e0 <= 0.086757 else -0.1289))) if e7 <= 0.33836 else -0.0783)
    t45 = ((((0.2192 if e11 <= 0.30314 else -0.1070) if e18 <= 0.018322 else (-0.1401 if e5 <= 0.86231 else 0.1514)) if e8 <= 2.5 else (0.0165 if e1 <= 0.01805 else -0.0205)) if e5 <= 0.9551 else (-0.1358 if e17 <= 0.062809 else 0.4551))
    t53 = (-0.1516 if e2 <= -0.4399 else ((0.0421 if e9 <= 0.13971 else (-0.0610 if e11 <= 0.77067 else (-0.1674 if e18 <= 0.012336 else (-0.0511 if e19 <= 0.19651 else (1.3256 if e16 <= 1.0098 else 0.3655))))) if e2 <= -0.027677 else -0.0072))
    s = -0.8834
    s += ((((0.4421 if e3 <= 0.030646 else 0.2031) if e11 <= 0.31143 else (-0.0632 if e6 <= -0.29324 else (0.3264 if e12 <= 1.5475 else -0.1452))) if e9 <= 0.13498 else (-0.1839 if e5 <= 0.71726 else 0.1624)) if e2 <= 0.038516 else -0.1631)
    s += ((((0.3136 if e0 <= 0.04344 else ((0.1485 if e11 <= 0.27108 else -0.0774) if e6 <= -0.35507 else 0.2443)) if e12 <= 1.4373 else -0.1201) if e9 <= 0.15174 else (-0.1741 if e5 <= 0.82201 else 0.1009)) if e2 <= 0.043657 else -0.1564)
    s += (((((0.1675 if e11 <= 0.34785 else -0.1247) if e6 <= -0.30776 else (0.2993 if e6 <= -0.054044 else 0.0963)) if e7 <= 0.12854 else (-0.0863 if e5 <= 0.71726 else 0.1674)) if e12 <= 1.294 else -0.1375) if e2 <= 0.047611 else -0.1496)
    s += ((((0.2173 if e0 <= 0.064896 else (0.1711 if e11 <= 0.28073 else -0.0191)) if e12 <= 1.9498 else -0.1427) if e9 <= 0.13755 else (0.0951 if e17 <= 0.21559 else -0.1563)) if e2 <= 0.030994 else (-0.0803 if e6 <= -0.053251 else -0.1772))
    s += (((((0.0083 if e6 <= -0.84947 else 0.2157) if e11 <= 0.28073 else (-0.0379 if e6 <= -0.29324 else (0.2112 if e6 <= -0.051653 else -0.0501))) if e1 <= 0.16927 else -0.0535) if e12 <= 1.5064 else -0.1384) if e2 <= 0.051489 else -0.1354)
    s += (((((0.1838 if e7 <= 0.13698 else 0.0432) if e19 <= 0.31086 else (0.1214 if e11 <= 0.2985 else -0.1315)) if e2 <= 0.014847 else (-0.0733 if e6 <= -0.34358 else 0.0606)) if e9 <= 0.1742 else -0.1041) if e2 <= 0.054069 else -0.1293)
    s += ((((0.1563 if e11 <= 0.28887 else (-0.0446 if e6 <= -0.29324 else (0.1752 if e6 <= -0.050823 else -0.0707))) if e1 <= 0.10992 else (0.0649 if e0 <= 0.05739 else -0.1175)) if e12 <= 1.6786 else -0.1386) if e2 <= 0.05863 else -0.1257)
    s += (((0.1557 if e0 <= 0.053464 else 0.0464) if e9 <= 0.11456 else (0.0826 if e17 <= 0.21559 else -0.1280)) if e2 <= 0.022587 else ((-0.1030 if e5 <= 0.77472 else (0.3829 if e5 <= 0.93339 else 0.0110)) if e6 <= -0.053251 else -0.1556))
    s += (((0.1498 if e5 <= 0.5235 else -0.2005) if e11 <= 0.34785 else -0.0689) if e3 <= 0.04702 else ((-0.0901 if e5 <= 0.82201 else ((0.2575 if e12 <= 2.0077 else -0.1636) if e6 <= -0.05961 else 0.0099)) if e6 <= -0.049348 else -0.1491))
    s += ((((0.1498 if e2 <= 0.0035312 else 0.0450) if e7 <= 0.09705 else ((0.0629 if e7 <= 0.35267 else -0.1431) if e0 <= 0.054999 else -0.0978)) if e16 <= 1.0162 else (0.0421 if e11 <= 0.2985 else -0.1330)) if e2 <= 0.059494 else -0.1082)
    s += (((((0.1127 if e0 <= 0.036491 else (0.0576 if e1 <= -0.075911 else -0.1012)) if e11 <= 0.36453 else -0.1337) if e6 <= -0.30776 else (0.1451 if e6 <= -0.054859 else -0.0247)) if e12 <= 1.836 else -0.1306) if e2 <= 0.068203 else -0.1091)
    s += ((((0.1308 if e3 <= 0.020718 else -0.0148) if e11 <= 0.27108 else -0.0911) if e6 <= -0.29324 else (((-0.1700 if e8 <= 1.5 else 0.1261) if e9 <= 0.28442 else -0.1450) if e6 <= -0.023852 else -0.0976)) if e5 <= 0.94962 else -0.1586)
    s += (((0.0109 if e16 <= 1.0001 else (0.1497 if e5 <= 0.50758 else -0.1828)) if e11 <= 0.2766 else (0.0574 if e19 <= 0 else -0.0599)) if e7 <= 0.12854 else ((0.0785 if e17 <= 0.21559 else -0.1021) if e6 <= -0.048546 else -0.1576))
    s += (((0.1073 if e5 <= 0.52726 else -0.1808) if e11 <= 0.37445 else -0.0635) if e3 <= 0.04702 else (((-0.0165 if e11 <= 0.29708 else -0.1281) if e5 <= 0.82201 else (0.1880 if e6 <= -0.064974 else 0.0095)) if e6 <= -0.049348 else -0.1268))
    s += ((((0.1032 if e19 <= 0.18849 else -0.0248) if e5 <= 0.94751 else -0.0997) if e0 <= 0.062031 else (((-0.0230 if e6 <= -0.3908 else 0.1475) if e6 <= -0.069931 else -0.1462) if e1 <= -0.10675 else -0.1174)) if e12 <= 2.0651 else -0.1367)
    if (m := s + t42 + t45 + t53 + 5.1099) < least:
        return m
    s += ((0.1016 if e11 <= 0.38336 else -0.0638) if e3 <= 0.029281 else ((((0.0246 if e1 <= 0.084037 else -0.1048) if e11 <= 0.32472 else -0.1225) if e5 <= 0.82201 else (0.1324 if e6 <= -0.05961 else -0.0265)) if e5 <= 0.95311 else -0.1524))
    s += (((-0.1017 if e8 <= 2.5 else 0.0908) if e19 <= 0.18849 else -0.0485) if e2 <= 0.0096468 else ((((-0.0706 if e16 <= 1.0001 else 0.0949) if e11 <= 0.2695 else -0.1050) if e5 <= 0.77472 else 0.1014) if e5 <= 0.94416 else -0.1433))
    s += (((-0.0400 if e6 <= -0.84947 else 0.1159) if e11 <= 0.25056 else ((((0.0561 if e6 <= -0.064974 else -0.1090) if e1 <= -0.18808 else -0.0845) if e4 <= 0.11 else 0.0818) if e16 <= 1.032 else -0.1210)) if e7 <= 0.15112 else -0.0699)
    s += ((((0.1397 if e3 <= 0.019066 else 0.0430) if e9 <= 0.10786 else -0.0039) if e0 <= 0.05739 else (((-0.0141 if e6 <= -0.40261 else 0.1173) if e6 <= -0.072634 else -0.1248) if e1 <= -0.12683 else -0.0983)) if e12 <= 2.1249 else -0.1276)
    s += (-0.1450 if e17 <= 0.024675 else (((0.0756 if e2 <= -0.026268 else -0.0420) if e11 <= 0.35564 else -0.1052) if e6 <= -0.30776 else ((0.0999 if e9 <= 0.20456 else -0.0779) if e6 <= -0.057599 else (0.0309 if e0 <= 0.055784 else -0.1331))))
    s += (((-0.1324 if e17 <= 0.022988 else ((0.0955 if e7 <= 0.34565 else -0.1067) if e0 <= 0.033068 else ((-0.1260 if e8 <= 2.5 else 0.0623) if e1 <= -0.020516 else -0.0455))) if e19 <= 0.18849 else -0.0552) if e2 <= 0.076276 else -0.0819)
    s += ((((-0.0171 if e6 <= -0.6334 else (0.0754 if e16 <= 1.032 else -0.0610)) if e7 <= 0.34565 else -0.1147) if e0 <= 0.079978 else ((0.0947 if e11 <= 0.27108 else -0.0295) if e1 <= -0.069896 else -0.1071)) if e5 <= 0.95165 else -0.1380)
    s += (((0.0915 if e5 <= 0.51703 else -0.1625) if e11 <= 0.41687 else -0.0531) if e3 <= 0.022208 else (((0.0883 if e17 <= 0.21559 else (0.0361 if e7 <= 0.11124 else -0.0955)) if e5 <= 0.94751 else -0.1060) if e19 <= 0 else -0.0624))
    if (m := s + t42 + t45 + t53 + 4.2389) < least:
        return m
    s += ((((-0.0957 if e2 <= -0.27932 else 0.1113) if e3 <= 0.022208 else 0.0113) if e0 <= 0.068745 else ((0.0402 if e6 <= -0.075252 else -0.1246) if e1 <= -0.18361 else (-0.0112 if e5 <= 0.32752 else -0.1217))) if e12 <= 2.38 else -0.1193)
    s += (-0.1241 if e17 <= 0.024675 else (((0.0146 if e19 <= 0.10098 else -0.0627) if e2 <= 0.069963 else -0.1226) if e6 <= -0.32052 else (0.0885 if e7 <= 0.062606 else ((0.1284 if e6 <= -0.075252 else -0.0023) if e17 <= 0.21559 else -0.0747))))
    s += (((-0.1528 if e8 <= 1.5 else 0.0637) if e19 <= 0.15832 else -0.0282) if e2 <= 0.0080474 else ((((-0.0541 if e16 <= 1.0002 else 0.0774) if e11 <= 0.2695 else -0.0813) if e5 <= 0.82201 else 0.0667) if e5 <= 0.9429 else -0.1177))
    s += ((0.1059 if e11 <= 0.24318 else (-0.0408 if e9 <= 0.023137 else (0.0853 if e19 <= 0.093003 else -0.0249))) if e3 <= 0.061979 else ((-0.0597 if e18 <= 0.012094 else (0.0484 if e3 <= 0.30262 else -0.1484)) if e19 <= 0 else -0.0738))
    s += (((0.0812 if e12 <= 0.53002 else -0.0179) if e0 <= 0.033068 else ((0.0374 if e6 <= -0.064974 else -0.1001) if e1 <= -0.15736 else ((-0.0603 if e6 <= -0.36639 else 0.0483) if e3 <= 0.079503 else -0.0993))) if e12 <= 2.4472 else -0.1102)
    s += (-0.1211 if e17 <= 0.021428 else (((-0.0103 if e6 <= -0.83917 else 0.1109) if e11 <= 0.24318 else (-0.0323 if e6 <= -0.32052 else 0.0383)) if e7 <= 0.10011 else ((0.0311 if e3 <= 0.30262 else -0.1851) if e17 <= 0.45629 else -0.0626)))
    s += ((-0.0978 if e9 <= -0.0061163 else (-0.1379 if e8 <= 1.5 else (((0.0057 if e6 <= -0.65266 else 0.1041) if e11 <= 0.9057 else -0.1438) if e3 <= 0.016372 else (0.0127 if e19 <= 0.089673 else -0.0676)))) if e6 <= -0.010123 else -0.1089)
    s += ((-0.0834 if e8 <= 2.5 else ((((-0.0019 if e6 <= -0.64498 else 0.0603) if e12 <= 0.96106 else -0.0251) if e1 <= 0.096451 else (-0.0740 if e12 <= 0.45833 else 0.0371)) if e5 <= 0.95311 else -0.1405)) if e2 <= 0.091337 else -0.0738)
    if (m := s + t42 + t45 + t53 + 3.4594) < least:
        return m
    s += (((0.0804 if e5 <= 0.51059 else -0.2331) if e7 <= 0.091027 else (-0.0530 if e18 <= 0.10768 else 0.1644)) if e11 <= 0.2576 else ((0.0208 if e12 <= 2.3179 else -0.1600) if e19 <= 0 else (-0.0183 if e3 <= 0.061979 else -0.0995)))
    s += ((0.0470 if e12 <= 0.85015 else -0.0414) if e0 <= 0.047938 else (-0.0938 if e12 <= 0.20592 else (((0.0126 if e11 <= 0.3143 else -0.0795) if e6 <= -0.3908 else (-0.1097 if e9 <= -0.0037729 else 0.0758)) if e6 <= -0.067435 else -0.0993)))
    s += (((0.0719 if e12 <= 0.38516 else -0.0037) if e0 <= 0.033068 else ((0.0338 if e6 <= -0.061724 else -0.1066) if e1 <= -0.24717 else (-0.0774 if e16 <= 1.0002 else (0.0159 if e5 <= 0.51059 else -0.1575)))) if e11 <= 0.9057 else -0.1245)
    s += ((0.0219 if e0 <= 0.073354 else ((((-0.1933 if e11 <= 0.1597 else 0.0053) if e5 <= 0.41932 else -0.1266) if e6 <= -0.3908 else (0.0617 if e10 <= 1.8001 else -0.1824)) if e6 <= -0.078085 else -0.1181)) if e7 <= 0.33836 else -0.0912)
    s += (-0.0966 if e17 <= 0.024675 else ((-0.1040 if e5 <= 0.86231 else 0.1722) if e8 <= 2.5 else (0.0476 if e3 <= 0.015004 else ((0.0395 if e5 <= 0.9401 else (-0.1269 if e9 <= 0.1769 else 0.0543)) if e19 <= 4.0233e-06 else -0.0341))))
    s += (((0.0610 if e3 <= 0.019066 else 0.0002) if e0 <= 0.085758 else ((-0.0556 if e16 <= 1 else (0.0840 if e6 <= -0.11415 else -0.0845)) if e5 <= 0.38411 else (-0.1666 if e12 <= 0.48211 else -0.0229))) if e11 <= 0.98156 else -0.1750)
    s += ((0.0600 if e7 <= 0.091027 else -0.0261) if e11 <= 0.25564 else (((0.0849 if e2 <= -0.014977 else ((0.1086 if e6 <= -0.075252 else -0.0105) if e17 <= 0.21559 else -0.0335)) if e12 <= 2.4472 else -0.1615) if e19 <= 0.033001 else -0.0509))
    s += ((((0.0722 if e5 <= 0.87504 else -0.1292) if e2 <= -0.0291 else (-0.0117 if e4 <= 0.20001 else (0.0642 if e9 <= 0.3025 else -0.1571))) if e19 <= 0.18849 else (-0.1160 if e18 <= 0.0021836 else -0.0111)) if e5 <= 0.9551 else -0.1181)
    if (m := s + t42 + t45 + t53 + 2.6486) < least:
        return m
    s += ((((0.0376 if e5 <= 0.94536 else (-0.1355 if e3 <= 0.20052 else 0.0484)) if e19 <= 4.0233e-06 else (0.0020 if e5 <= 0.51059 else (-0.1672 if e11 <= 0.55776 else 0.0078))) if e2 <= 0.10455 else -0.0771) if e11 <= 0.98156 else -0.1753)
    s += (-0.1082 if e8 <= 1.5 else (-0.0863 if e9 <= -0.0088112 else ((0.0815 if e16 <= 1.0149 else (-0.0785 if e18 <= 0.024988 else 0.0699)) if e3 <= 0.0005275 else ((0.0091 if e7 <= 0.089877 else -0.0448) if e11 <= 0.72465 else 0.0383))))
    s += (((0.0636 if e12 <= 0.4292 else -0.0076) if e0 <= 0.025822 else ((-0.0919 if e11 <= 0.15318 else (0.0665 if e11 <= 0.23608 else (-0.0349 if e9 <= 0.031539 else 0.0307))) if e5 <= 0.93856 else -0.1161)) if e11 <= 0.98156 else -0.1751)
    s += t42
    s += (((-0.0237 if e18 <= 0.078696 else 0.0542) if e6 <= -0.32052 else ((((0.1174 if e11 <= 0.29407 else 0.0175) if e7 <= 0.045423 else 0.0086) if e12 <= 2.4472 else -0.1355) if e9 <= 0.35097 else -0.1576)) if e6 <= -0.0084728 else -0.0808)
    s += ((0.0167 if e0 <= 0.051009 else ((0.0937 if e12 <= 0 else -0.1006) if e12 <= 0.2093 else (0.0329 if e11 <= 0.29407 else (-0.1087 if e12 <= 0.46996 else (-0.0982 if e10 <= 0.44001 else 0.0106))))) if e11 <= 0.98156 else -0.1756)
    s += t45
    s += (((0.0299 if e5 <= 0.94645 else -0.0619) if e19 <= 4.0233e-06 else ((0.1419 if e15 <= -0.14606 else -0.0686) if e16 <= 1.0002 else ((0.0312 if e5 <= 0.46429 else -0.0468) if e7 <= 0.18996 else -0.0859))) if e2 <= 0.11019 else -0.0822)
    if (m := s + t53 + 2.0992) < least:
        return m
    s += (((0.0574 if e12 <= 0.36969 else ((0.1410 if e0 <= -0.046347 else -0.0631) if e11 <= 0.72465 else 0.0531)) if e0 <= 0.025822 else ((0.0249 if e1 <= -0.29185 else -0.0223) if e5 <= 0.93856 else -0.1061)) if e11 <= 0.98156 else -0.1761)
    s += ((0.0649 if e11 <= 0.24318 else 0.0007) if e3 <= 0.061979 else ((((0.0171 if e14 <= 0.092938 else 0.1823) if e7 <= 0.084344 else -0.0450) if e11 <= 0.29708 else -0.0734) if e11 <= 0.72465 else (0.0404 if e3 <= 0.32727 else -0.1913)))
    s += (((0.0597 if e3 <= 0.075654 else -0.0220) if e2 <= -0.026268 else ((-0.0054 if e19 <= 0.033001 else -0.0571) if e4 <= 0.25001 else (0.0462 if e9 <= 0.35097 else -0.1626))) if e16 <= 1.032 else (0.0430 if e11 <= 0.26311 else -0.0813))
    s += (-0.0494 if e17 <= 0.036645 else ((-0.0050 if e11 <= 0.32864 else -0.1103) if e6 <= -0.6334 else (0.0325 if e0 <= 0.088891 else ((0.1373 if e6 <= -0.13226 else -0.0626) if e5 <= 0.35781 else (-0.1621 if e12 <= 0.43503 else -0.0105)))))
    s += ((((-0.0411 if e9 <= 0.029949 else 0.0154) if e16 <= 1.0002 else ((0.0511 if e19 <= 0.13848 else (-0.0323 if e11 <= 0.78919 else 0.1444)) if e7 <= 0.18996 else -0.0717)) if e6 <= 0.018017 else -0.1056) if e11 <= 0.98156 else -0.1766)
    s += (((0.0822 if e18 <= 0.018322 else -0.1088) if e8 <= 2.5 else (0.0260 if e19 <= 4.0233e-06 else (0.0242 if e3 <= 0.020718 else (0.2188 if e0 <= -0.090339 else -0.0299)))) if e5 <= 0.94645 else (-0.1072 if e9 <= 0.18811 else 0.0433))
    s += t53
    s += ((((0.0781 if e17 <= 0.30139 else -0.1681) if e16 <= 1.0503 else 0.2261) if e7 <= -0.081002 else (0.0063 if e2 <= 0.094299 else (0.0132 if e1 <= -0.68524 else (0.0204 if e11 <= 0.26431 else -0.1251)))) if e11 <= 0.98156 else -0.1754)
    if (m := s + 0.9896) < least:
        return m
    s += ((0.1954 if e14 <= -0.08887 else -0.0964) if e17 <= 0.021428 else (0.0075 if e19 <= 0.18849 else (-0.0461 if e11 <= 0.78919 else (-0.1298 if e18 <= 0.014451 else (-0.0731 if e3 <= -0.19912 else (0.3550 if e11 <= 0.95294 else -0.1432))))))
    s += ((0.0205 if e0 <= 0.021265 else (((-0.1322 if e17 <= 0.89765 else 0.0170) if e11 <= 0.16867 else (0.0789 if e5 <= 0.22347 else (-0.0225 if e9 <= 0.029949 else 0.0228))) if e5 <= 0.93856 else -0.0943)) if e11 <= 0.89188 else -0.0735)
    s += ((((-0.1535 if e2 <= -0.070429 else 0.2786) if e3 <= 0.058371 else -0.1491) if e18 <= 0.030866 else -0.1505) if e8 <= 1.5 else (-0.0488 if e9 <= -0.0037729 else ((-0.1370 if e11 <= 0.15318 else 0.0184) if e3 <= 0.11652 else -0.0141)))
    s += ((((-0.1658 if e18 <= 0.00067809 else (0.0809 if e18 <= 0.0076297 else (-0.0298 if e15 <= 0.076251 else 0.2150))) if e7 <= 0.091027 else (0.0478 if e18 <= 0.0014498 else -0.0734)) if e18 <= 0.070738 else 0.1182) if e11 <= 0.25056 else -0.0077)
    s += (-0.1668 if e15 <= -0.44187 else (((-0.0294 if e0 <= 0.14965 else 0.0620) if e6 <= -0.6334 else (0.0223 if e0 <= 0.086757 else (0.0445 if e5 <= 0.39437 else (-0.1662 if e12 <= 0.43503 else -0.0200)))) if e6 <= 0.018017 else -0.0937))
    return s


KNOTS: Final = (
    (-7.666, 0.0000),
    (-7.401, 0.0000),
    (-6.739, 0.0000),
    (-6.535, 0.0000),
    (-6.366, 0.0000),
    (-6.198, 0.0000),
    (-6.014, 0.0000),
    (-5.773, 0.0000),
    (-5.501, 0.0000),
    (-5.215, 0.0000),
    (-4.949, 0.0003),
    (-4.700, 0.0005),
    (-4.462, 0.0006),
    (-4.232, 0.0012),
    (-4.018, 0.0016),
    (-3.811, 0.0024),
    (-3.599, 0.0066),
    (-3.374, 0.0100),
    (-3.137, 0.0148),
    (-2.879, 0.0252),
    (-2.591, 0.0430),
    (-2.266, 0.0750),
    (-1.907, 0.1078),
    (-1.520, 0.1592),
    (-1.113, 0.2203),
    (-0.658, 0.3326),
    (-0.166, 0.4260),
    (0.311, 0.6133),
    (0.740, 0.7211),
    (1.170, 0.8167),
    (1.579, 0.8823),
    (1.975, 0.9244),
    (2.349, 0.9531),
    (2.693, 0.9741),
    (2.984, 0.9868),
    (3.268, 0.9918),
    (3.570, 0.9963),
    (3.870, 0.9976),
    (4.209, 0.9987),
    (4.661, 0.9988),
)
# fmt: on


def probability_of(value: float) -> float:
    """Share of such ascents that did not come through in the tuning sets, linear between knots."""
    before = KNOTS[0]
    if value <= before[0]:
        return before[1]
    for knot in KNOTS[1:]:
        if value < knot[0]:
            return before[1] + (knot[1] - before[1]) * (value - before[0]) / (knot[0] - before[0])
        before = knot
    return before[1]


def score_of(probability: float) -> float:
    """Least score that means at least this probability; above the last knot it goes on along the last slope."""
    before = KNOTS[0]
    for knot in KNOTS[1:]:
        if knot[1] >= probability and knot[1] > before[1]:
            return before[0] + (knot[0] - before[0]) * (probability - before[1]) / (knot[1] - before[1])
        before = knot
    return before[0] + 10.0 * (probability - before[1])
