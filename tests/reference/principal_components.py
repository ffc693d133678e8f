"""Makes principal_components.json: T-squared and Q as numpy and scikit-learn have them.

    pip install -r requirements.txt
    python principal_components.py

The healthy rows are the worked example of principal components in the NIST/SEMATECH e-Handbook of
Statistical Methods, 6.5.5.2 (ten rows of three variables, from memory), whose correlation matrix has
eigenvalues published as 1.769, 0.927 and 0.304. The rows after them are made up.
"""

import json
import pathlib

import numpy as np
from sklearn.decomposition import PCA

HEALTHY = np.array(
    [[7, 4, 3], [4, 1, 8], [6, 3, 5], [8, 6, 1], [8, 5, 7],
     [7, 2, 9], [5, 3, 3], [9, 5, 8], [7, 4, 5], [8, 2, 2]], dtype=float)
LATER = np.array([[7, 4, 5], [6.5, 3.2, 4.1], [9, 1, 9], [2, 8, 1], [7, 3.5, 30]], dtype=float)

mean = HEALTHY.mean(axis=0)
stdev = HEALTHY.std(axis=0, ddof=1)
values = np.linalg.eigvalsh(np.corrcoef(HEALTHY.T))[::-1]
assert np.round(values, 3).tolist() == [1.769, 0.927, 0.304], values
scaled = (LATER - mean) / stdev


def against(kept):
    """T-squared, Q and the first channel-wise parts of both with so many components."""
    pca = PCA(n_components=kept).fit((HEALTHY - mean) / stdev)
    scores = pca.transform(scaled)
    # scikit-learn's variances are of n - 1, as are the correlation matrix's eigenvalues.
    t_squared = (scores**2 / pca.explained_variance_).sum(axis=1)
    errors = scaled - pca.inverse_transform(scores)
    weights = scores / pca.explained_variance_ @ pca.components_
    return {
        "kept": kept,
        "t_squared": t_squared.tolist(),
        "q": (errors**2).sum(axis=1).tolist(),
        "t_parts": (scaled * weights).tolist(),
        "q_parts": (errors**2).tolist(),
    }


out = {
    "healthy": HEALTHY.tolist(),
    "later": LATER.tolist(),
    "means": mean.tolist(),
    "stdevs": stdev.tolist(),
    "variances": values.tolist(),
    "against": [against(kept) for kept in (1, 2, 3)],
}
path = pathlib.Path(__file__).with_suffix(".json")
path.write_text(json.dumps(out, indent=1) + "\n")
