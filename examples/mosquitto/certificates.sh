#!/bin/sh
# Makes your own certificate authority, and a broker certificate signed by it, with openssl.
# Usage: certificates.sh FOLDER HOST [HOST-OR-ADDRESS ...]
# HOST is the name that clients connect to; more names and addresses may follow. Keep ca.key off the network.
set -eu
umask 077
folder=$1
shift
names=""
for host in "$@"; do
    case $host in
        *[!0-9.]*) names="$names,DNS:$host" ;;
        *) names="$names,IP:$host" ;;
    esac
done
mkdir -p "$folder"
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 1825 \
    -subj "/CN=ebbset site authority" \
    -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign,cRLSign" \
    -keyout "$folder/ca.key" -out "$folder/ca.crt"
openssl req -new -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes \
    -subj "/CN=$1" -keyout "$folder/broker.key" -out "$folder/broker.csr"
printf 'subjectAltName=%s\nextendedKeyUsage=serverAuth\nbasicConstraints=CA:FALSE\n' "${names#,}" > "$folder/broker.ext"
openssl x509 -req -days 825 -in "$folder/broker.csr" -CA "$folder/ca.crt" -CAkey "$folder/ca.key" \
    -CAcreateserial -extfile "$folder/broker.ext" -out "$folder/broker.crt"
rm "$folder/broker.csr" "$folder/broker.ext"
